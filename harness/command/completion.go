package command

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/plans"
)

func (c *Console) completionCommand() *cli.Command {
	return &cli.Command{
		Name:      "completion",
		Usage:     "print the completion script of a shell",
		ArgsUsage: "SHELL",
		Description: "bash:        source <(proveout completion bash)\n" +
			"zsh:         source <(proveout completion zsh)\n" +
			"fish:        proveout completion fish | source\n" +
			"powershell:  proveout completion powershell | Out-String | Invoke-Expression",
		Action: func(x *cli.Context) error {
			shells := completionScripts()
			script, ok := shells[x.Args().First()]
			if !ok || x.NArg() != 1 {
				return fmt.Errorf("name the shell: bash, zsh, fish or powershell")
			}
			_, err := io.WriteString(c.Out, script)
			return err
		},
	}
}

// wordsCommand is what the completion scripts call.
func (c *Console) wordsCommand() *cli.Command {
	return &cli.Command{
		Name: "completion-words", Hidden: true, Usage: "print what may follow the words typed so far",
		Action: func(x *cli.Context) error {
			for _, w := range c.complete(x.Args().Slice()) {
				fmt.Fprintln(c.Out, w)
			}
			return nil
		},
	}
}

// completionScripts are what a shell must know: it hands the words typed so far
// to the hidden command and takes its lines; where there are none it completes
// file names.
func completionScripts() map[string]string {
	return map[string]string{
		"bash": `_proveout() {
    local IFS=$'\n'
    COMPREPLY=($(proveout completion-words -- "${COMP_WORDS[@]:1:COMP_CWORD}" 2>/dev/null))
}
complete -o default -F _proveout proveout
`,
		"zsh": `#compdef proveout
_proveout() {
    local -a found
    found=("${(@f)$(proveout completion-words -- "${(@)words[2,CURRENT]}" 2>/dev/null)}")
    if [[ -n "${found[*]}" ]]; then
        compadd -Q -- "${found[@]}"
    else
        _files
    fi
}
compdef _proveout proveout
`,
		"fish": `function __proveout_words
    set -l words (commandline -opc) (commandline -ct)
    set -l found (proveout completion-words -- $words[2..-1] 2>/dev/null)
    if set -q found[1]
        printf '%s\n' $found
    else
        __fish_complete_path (commandline -ct)
    end
end
complete -c proveout -f -a '(__proveout_words)'
`,
		"powershell": `Register-ArgumentCompleter -Native -CommandName proveout -ScriptBlock {
    param($wordToComplete, $commandAst, $cursorPosition)
    $words = @($commandAst.CommandElements | Select-Object -Skip 1 | ForEach-Object { "$_" })
    if ($wordToComplete -eq '') { $words += '""' }
    proveout completion-words -- $words 2>$null | ForEach-Object {
        [System.Management.Automation.CompletionResult]::new($_, $_, 'ParameterValue', $_)
    }
}
`,
	}
}

// complete returns what may stand in the place of the last word.
func (c *Console) complete(words []string) []string {
	if len(words) == 0 {
		words = []string{""}
	}
	last := strings.Trim(words[len(words)-1], `"`)
	level, command := c.commands(), (*cli.Command)(nil)
	var arguments []string
	flag := ""
	shop := ""
	for i, w := range words[:len(words)-1] {
		switch {
		case flag != "":
			if flag == "shop" {
				shop = w
			}
			flag = ""
		case strings.HasPrefix(w, "-"):
			name, _, inline := strings.Cut(strings.TrimLeft(w, "-"), "=")
			if command != nil && !inline && takesValue(command.Flags, name) {
				flag = name
			}
		case len(arguments) == 0 && find(level, w) != nil:
			command = find(level, w)
			level = command.Subcommands
		default:
			arguments = append(arguments, words[i])
		}
	}
	var out []string
	switch {
	case flag != "":
		out = c.flagValues(flag, shop)
	case strings.HasPrefix(last, "-") && command != nil:
		for _, f := range command.Flags {
			for _, n := range f.Names() {
				out = append(out, strings.Repeat("-", min(len(n), 2))+n)
			}
		}
	case len(level) > 0 && len(arguments) == 0:
		for _, one := range level {
			if !one.Hidden {
				out = append(out, one.Name)
			}
		}
	case command != nil:
		out = c.argumentWords(command, arguments, shop)
	}
	return slices.DeleteFunc(out, func(s string) bool { return !strings.HasPrefix(s, last) || s == "" })
}

func takesValue(flags []cli.Flag, name string) bool {
	for _, f := range flags {
		if _, isBool := f.(*cli.BoolFlag); !isBool && slices.Contains(f.Names(), name) {
			return true
		}
	}
	return false
}

// argumentWords completes by what the usage line calls the argument.
func (c *Console) argumentWords(command *cli.Command, before []string, shop string) []string {
	names := strings.Fields(strings.NewReplacer("[", "", "]", "", "…", "").Replace(command.ArgsUsage))
	if len(before) >= len(names) {
		return nil
	}
	dir := c.completionShop(shop)
	switch names[len(before)] {
	case "JOB":
		return jobNumbers(dir)
	case "SHELL":
		return []string{"bash", "zsh", "fish", "powershell"}
	case "WHICH":
		return referenceNames()
	case "STEP":
		return jobSteps(dir, before[0])
	case "ID":
		if strings.HasPrefix(command.HelpName, "proveout families") {
			return libraryIDs(dir, plans.FamilyKind)
		}
		return libraryIDs(dir, plans.PlanKind)
	}
	return nil
}

func (c *Console) flagValues(flag, shop string) []string {
	dir := c.completionShop(shop)
	switch flag {
	case "plan":
		return libraryIDs(dir, plans.PlanKind)
	case "family":
		return libraryIDs(dir, plans.FamilyKind)
	case "place":
		return plans.WordsAt(plans.FamilyKind, "thermal.sensor")
	case "work":
		return plans.WorkKinds()
	case "map":
		found, _ := filepath.Glob(filepath.Join(dir, "logmaps", "*.toml"))
		var out []string
		for _, f := range found {
			out = append(out, strings.TrimSuffix(filepath.Base(f), ".toml"))
		}
		return out
	case "bench", "technician", "by", "instrument":
		return shopWords(dir, flag)
	}
	return nil
}

func shopWords(dir, flag string) []string {
	shop, err := readShop(dir)
	if err != nil {
		return nil
	}
	var out []string
	for _, b := range shop.Benches {
		if flag == "bench" {
			out = append(out, b.ID)
		}
		for _, inst := range b.Instruments {
			if flag == "instrument" {
				out = append(out, inst.ID)
			}
		}
	}
	for _, t := range shop.Technicians {
		if flag == "technician" || flag == "by" {
			out = append(out, t.ID)
		}
	}
	return out
}

// completionShop is the shop that a command line would take.
func (c *Console) completionShop(named string) string {
	for _, dir := range []string{named, c.Getenv("PROVEOUT_SHOP")} {
		if dir != "" {
			return c.path(dir)
		}
	}
	start, err := filepath.Abs(c.path("."))
	if err != nil {
		return ""
	}
	for dir := start; ; dir = filepath.Dir(dir) {
		if _, err := os.Stat(filepath.Join(dir, shopFile)); err == nil || dir == filepath.Dir(dir) {
			return dir
		}
	}
}

func jobNumbers(shop string) []string {
	list, err := os.ReadDir(filepath.Join(shop, "jobs"))
	if err != nil {
		return nil
	}
	var out []string
	for _, e := range list {
		if e.IsDir() && !strings.HasPrefix(e.Name(), ".") {
			out = append(out, e.Name())
		}
	}
	return out
}

func jobSteps(shop, number string) []string {
	dir, err := job.Dir(shop, number)
	if err != nil {
		return nil
	}
	j, snapshot, err := job.Load(dir)
	if err != nil {
		return nil
	}
	plan, _, err := parseSnapshot(dir, j, snapshot)
	if err != nil {
		return nil
	}
	var out []string
	for i := range plan.Steps {
		out = append(out, plan.Steps[i].ID)
	}
	return out
}

func libraryIDs(shop string, kind plans.FileKind) []string {
	entries, _ := plans.List(shop, kind)
	var out []string
	for _, e := range entries {
		out = append(out, e.ID)
	}
	return out
}

func (c *Console) manCommand() *cli.Command {
	return &cli.Command{
		Name:        "man",
		Usage:       "print the man page",
		Description: "proveout man | man -l -",
		Action: func(x *cli.Context) error {
			if err := noArguments(x); err != nil {
				return err
			}
			page, err := x.App.ToManWithSection(1)
			if err == nil {
				_, err = io.WriteString(c.Out, page)
			}
			return err
		},
	}
}
