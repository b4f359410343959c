package command

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/document"
	"proveout/plans/quantity"
	"proveout/report"
	"proveout/scoring"
)

func (c *Console) jobCommands() *cli.Command {
	return &cli.Command{
		Name:  "job",
		Usage: "open, list and show jobs; keep notes and files with them",
		Subcommands: []*cli.Command{
			{Name: "open", Usage: "open a job for a card that came in", Flags: openFlags(), Action: c.jobOpen},
			{Name: "list", Usage: "list the jobs of the shop", Flags: []cli.Flag{shopFlag, jsonFlag}, Action: c.jobList},
			{Name: "show", Usage: "show a job and where it stands", ArgsUsage: "JOB", Flags: []cli.Flag{shopFlag, jsonFlag}, Action: c.jobShow},
			{Name: "note", Usage: "keep a remark with a job", ArgsUsage: "JOB TEXT", Flags: []cli.Flag{shopFlag, stepFlag, byFlag}, Action: c.jobNote},
			{Name: "attach", Usage: "keep files with a job", ArgsUsage: "JOB FILE…", Flags: []cli.Flag{shopFlag, stepFlag, byFlag,
				&cli.StringFlag{Name: "role", Usage: "what it is: `ROLE`, such as photo after, close-up", Value: "file"},
				&cli.StringFlag{Name: "caption", Usage: "`TEXT` under it"}}, Action: c.jobAttach},
		},
	}
}

var (
	stepFlag = &cli.StringFlag{Name: "step", Usage: "step `ID` it belongs to"}
	byFlag   = &cli.StringFlag{Name: "by", Usage: "technician `ID`; else the one of the job"}
)

func openFlags() []cli.Flag {
	return []cli.Flag{
		shopFlag, jsonFlag,
		&cli.StringFlag{Name: "plan", Usage: "acceptance plan `ID`", Required: true},
		&cli.StringFlag{Name: "family", Usage: "board family `ID`", Required: true},
		&cli.StringFlag{Name: "variant", Usage: "variant `NAME` of the family"},
		&cli.StringFlag{Name: "title", Usage: "what documents call the card: `TEXT`; else the family's title"},
		&cli.StringFlag{Name: "serial", Usage: "serial `NUMBER`"},
		&cli.StringSliceFlag{Name: "mark", Usage: "what else ties paper and card, `NAME=VALUE`; may be repeated"},
		&cli.StringFlag{Name: "complaint", Usage: "`TEXT` of the complaint as received"},
		&cli.StringFlag{Name: "complaint-every", Usage: "how often the fault came back: `DURATION`"},
		&cli.StringFlag{Name: "condition", Usage: "condition as received: `TEXT`"},
		&cli.StringSliceFlag{Name: "work", Usage: "`KIND` of work done, may be repeated"},
		&cli.StringFlag{Name: "work-notes", Usage: "`TEXT` on the work done"},
		&cli.StringFlag{Name: "customer", Usage: "customer `REFERENCE`"},
		&cli.StringFlag{Name: "bench", Usage: "bench `ID`; not needed when the shop has one"},
		&cli.StringFlag{Name: "technician", Usage: "technician `ID`; not needed when the shop has one"},
		&cli.StringSliceFlag{Name: "before", Usage: "photo `FILE` as received, may be repeated"},
		&cli.StringSliceFlag{Name: "after", Usage: "photo `FILE` after the repair, may be repeated"},
		&cli.StringSliceFlag{Name: "close-up", Usage: "close-up `FILE` that shows marks, may be repeated"},
	}
}

func (c *Console) jobOpen(x *cli.Context) error {
	if err := noArguments(x); err != nil {
		return err
	}
	dir, shop, err := c.shop(x)
	if err != nil {
		return err
	}
	o, bench, family, err := c.opening(x, dir, shop)
	if err != nil {
		return err
	}
	if err := bench.Accepts(family); err != nil {
		return fmt.Errorf("bench %s does not take this card: %w", bench.ID, err)
	}
	jobDir, err := job.Create(dir, o)
	if err != nil {
		return err
	}
	number := filepath.Base(jobDir)
	if x.Bool("json") {
		return c.answer(map[string]string{"job": number, "folder": jobDir, "plan": o.Plan, "family": family.ID, "variant": family.Variant, "bench": bench.ID})
	}
	fmt.Fprintf(c.Out, "Opened job %s: %s, plan %s, on %s.\nNext: proveout run %s, or proveout record %s STEP name=value…\n", number, o.Card.Title, o.Plan, bench.ID, number, number)
	return nil
}

// opening gathers what the flags say of the card and checks it against shop,
// plan and family.
func (c *Console) opening(x *cli.Context, dir string, shop *plans.Shop) (job.Opening, *plans.Bench, *plans.Family, error) {
	fail := func(err error) (job.Opening, *plans.Bench, *plans.Family, error) {
		return job.Opening{}, nil, nil, err
	}
	planText, plan, err := findPlan(dir, x.String("plan"))
	if err != nil {
		return fail(err)
	}
	familyText, family, err := findFamily(dir, x.String("family"), x.String("variant"))
	if err != nil {
		return fail(err)
	}
	if problems := plans.CheckPlanAgainstFamily(plan, family); len(problems) > 0 {
		return fail(plans.AsError(problems))
	}
	if _, err := planMaps(dir, plan); err != nil {
		return fail(err)
	}
	bench, err := chooseBench(shop, x.String("bench"))
	if err != nil {
		return fail(err)
	}
	technician, err := chooseTechnician(shop, x.String("technician"))
	if err != nil {
		return fail(err)
	}
	o := job.Opening{PlanText: planText, FamilyText: familyText, Job: reading.Job{
		Opened: c.Now(), Plan: plan.ID, Bench: bench.ID, Technician: technician, Customer: x.String("customer"),
		Complaint: x.String("complaint"), Condition: x.String("condition"), WorkNotes: x.String("work-notes"),
		Card: reading.Card{Family: family.ID, Variant: family.Variant, Title: x.String("title"), Serial: x.String("serial")},
	}}
	if o.Card.Title == "" {
		o.Card.Title = family.Title
	}
	if text := x.String("complaint-every"); text != "" {
		q, err := quantity.Parse(text, quantity.Duration)
		if err != nil || q.Value <= 0 {
			return fail(fmt.Errorf("--complaint-every: %q is not a duration; write for instance \"2 h\"", text))
		}
		o.ComplaintEvery = q.Value
	}
	for _, m := range x.StringSlice("mark") {
		name, value, ok := strings.Cut(m, "=")
		if !ok || strings.TrimSpace(name) == "" {
			return fail(fmt.Errorf("--mark: write NAME=VALUE, as in \"sticker=BX 04417\", not %q", m))
		}
		o.Card.Marks = append(o.Card.Marks, reading.Mark{Name: strings.TrimSpace(name), Value: strings.TrimSpace(value)})
	}
	if o.Work, err = workKinds(plan, x.StringSlice("work")); err != nil {
		return fail(err)
	}
	for _, group := range []struct{ flag, role string }{{"before", "photo before"}, {"after", "photo after"}, {"close-up", "close-up"}} {
		for _, file := range x.StringSlice(group.flag) {
			small, err := printVersion(c.path(file), len(o.Photos))
			if err != nil {
				return fail(fmt.Errorf("--%s: %w", group.flag, err))
			}
			o.Photos = append(o.Photos, job.Photo{File: c.path(file), Role: group.role, Caption: photoCaption(group.role), Print: small})
		}
	}
	return o, bench, family, nil
}

func photoCaption(role string) string {
	return map[string]string{"photo before": "As received", "photo after": "After the repair", "close-up": "Marks of this card"}[role]
}

// workKinds accepts the kinds of work that the plan knows, and any other with
// no near match.
func workKinds(plan *plans.Plan, typed []string) ([]string, error) {
	known := plan.Work()
	var out []string
	for _, w := range typed {
		w = strings.Join(strings.Fields(w), " ")
		match := ""
		for _, k := range known {
			if strings.EqualFold(k, w) {
				match = k
			}
		}
		if match == "" {
			if near := document.Nearest(strings.ToLower(w), known); near != "" {
				return nil, fmt.Errorf("--work: %q is not a kind of work this plan knows; did you mean %q?", w, near)
			}
			return nil, fmt.Errorf("--work: %q is not a kind of work this plan knows; known are: %s", w, strings.Join(known, ", "))
		}
		out = append(out, match)
	}
	return out, nil
}

func chooseBench(shop *plans.Shop, id string) (*plans.Bench, error) {
	var ids []string
	for i := range shop.Benches {
		ids = append(ids, shop.Benches[i].ID)
	}
	if id == "" {
		if len(shop.Benches) == 1 {
			return &shop.Benches[0], nil
		}
		return nil, fmt.Errorf("name the bench with --bench; the shop has: %s", strings.Join(ids, ", "))
	}
	if b, ok := shop.Bench(id); ok {
		return b, nil
	}
	return nil, fmt.Errorf("the shop has no bench %q; it has: %s", id, strings.Join(ids, ", "))
}

func chooseTechnician(shop *plans.Shop, id string) (string, error) {
	var ids []string
	for _, t := range shop.Technicians {
		if t.ID == id {
			return id, nil
		}
		ids = append(ids, t.ID)
	}
	if id == "" && len(ids) == 1 {
		return ids[0], nil
	}
	if id == "" {
		return "", fmt.Errorf("name the technician with --technician; the shop has: %s", strings.Join(ids, ", "))
	}
	return "", fmt.Errorf("the shop has no technician %q; it has: %s", id, strings.Join(ids, ", "))
}

// jobLine is one job of the list.
type jobLine struct {
	Job      string          `json:"job"`
	Opened   time.Time       `json:"opened"`
	Card     string          `json:"card"`
	Serial   string          `json:"serial,omitempty"`
	Customer string          `json:"customer,omitempty"`
	Plan     string          `json:"plan"`
	Verdict  scoring.Verdict `json:"verdict"`
	Accepted bool            `json:"accepted"`
	WaitsFor string          `json:"waits_for,omitempty"`
	Trouble  string          `json:"trouble,omitempty"`
}

func (c *Console) jobList(x *cli.Context) error {
	if err := noArguments(x); err != nil {
		return err
	}
	lines, err := c.jobLines(x)
	if err != nil {
		return err
	}
	if x.Bool("json") {
		return c.answer(map[string]any{"jobs": lines})
	}
	if len(lines) == 0 {
		fmt.Fprintln(c.Out, "No jobs yet. Open one with: proveout job open --plan ID --family ID")
		return nil
	}
	t := tabwriter.NewWriter(c.Out, 0, 0, 2, ' ', 0)
	for _, l := range lines {
		state := l.Verdict.String()
		if l.Accepted {
			state = "accepted"
		}
		if l.Trouble != "" {
			state = "cannot be read: " + l.Trouble
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", l.Job, l.Card, l.Serial, state)
	}
	return t.Flush()
}

func (c *Console) jobLines(x *cli.Context) ([]jobLine, error) {
	dir, shop, err := c.shop(x)
	if err != nil {
		return nil, err
	}
	briefs, err := job.List(dir)
	if err != nil {
		return nil, err
	}
	lines := []jobLine{}
	for _, b := range briefs {
		line := jobLine{Job: b.Number}
		err := b.Err
		if err == nil {
			var k *openCase
			if k, err = loadCase(dir, shop, b.Number); err == nil {
				o := scoring.Score(k.input)
				j := k.input.Job
				line.Opened, line.Card, line.Serial, line.Customer, line.Plan = j.Opened, j.Card.Title, j.Card.Serial, j.Customer, j.Plan
				line.Verdict, line.Accepted = o.Verdict, o.Accepted
				line.WaitsFor = waitsFor(&o)
			}
		}
		if err != nil {
			line.Trouble = firstLine(err.Error())
		}
		lines = append(lines, line)
	}
	return lines, nil
}

// waitsFor names the first required step that has not passed.
func waitsFor(o *scoring.Outcome) string {
	for _, s := range o.Steps {
		if s.Required && s.Verdict.String() != "pass" && s.Verdict.String() != "not applicable" {
			return s.ID
		}
	}
	return ""
}

func firstLine(s string) string {
	first, _, _ := strings.Cut(s, "\n")
	return first
}

func (c *Console) jobShow(x *cli.Context) error {
	k, err := c.openJob(x)
	if err = errors.Join(err, onlyJob(x)); err != nil {
		return err
	}
	o := scoring.Score(k.input)
	j := k.input.Job
	if x.Bool("json") {
		return c.answer(map[string]any{
			"job": j.Number, "opened": j.Opened, "card": k.shownCard(), "complaint": j.Complaint, "condition": j.Condition,
			"work": j.Work, "customer": j.Customer, "bench": j.Bench, "technician": j.Technician, "plan": j.Plan,
			"verdict": o.Verdict, "accepted": o.Accepted, "waits_for": waitsFor(&o), "folder": k.dir, "warnings": j.Warnings,
		})
	}
	t := tabwriter.NewWriter(c.Out, 0, 0, 2, ' ', 0)
	row := func(name, value string) {
		if value != "" {
			fmt.Fprintf(t, "%s\t%s\n", name, value)
		}
	}
	row("job", j.Number)
	row("opened", j.Opened.Local().Format("2006-01-02 15:04 -07:00"))
	row("card", j.Card.Title)
	row("family", strings.TrimSpace(j.Card.Family+" "+j.Card.Variant))
	row("serial", j.Card.Serial)
	for _, m := range j.Card.Marks {
		row(m.Name, m.Value)
	}
	row("complaint", j.Complaint)
	row("condition", j.Condition)
	row("work", strings.Join(j.Work, ", "))
	row("customer", j.Customer)
	row("bench", j.Bench)
	row("plan", j.Plan)
	row("folder", k.dir)
	t.Flush()
	fmt.Fprintln(c.Out)
	printOutcome(c.Out, c.words(), &o, false)
	return nil
}

// A shownCard is a card as job show --json has always told it.
type shownCard struct {
	Family, Variant, Title, Serial string
	Marks                          []shownMark
	Photos                         []shownPhoto
}

type shownMark struct{ Name, Value string }

type shownPhoto struct {
	SHA256, Name               string
	Size                       int64
	Role, Caption, Path, Print string
}

func (k *openCase) shownCard() shownCard {
	c := k.input.Job.Card
	out := shownCard{Family: c.Family, Variant: c.Variant, Title: c.Title, Serial: c.Serial}
	for _, m := range c.Marks {
		out.Marks = append(out.Marks, shownMark(m))
	}
	for _, p := range c.Photos {
		path := job.EvidencePath(k.dir, p)
		out.Photos = append(out.Photos, shownPhoto{p.SHA256, p.Name, p.Size, p.Role, p.Caption, path, p.Print})
	}
	return out
}

func (c *Console) jobNote(x *cli.Context) error {
	k, err := c.openJob(x)
	if err != nil {
		return err
	}
	text := strings.TrimSpace(strings.Join(x.Args().Slice()[1:], " "))
	if text == "" {
		return errors.New("write the note behind the job")
	}
	step, err := k.stepFlagOf(x)
	if err != nil {
		return err
	}
	return k.work(func(f *job.Folder) error {
		return f.Append(job.Entry{Kind: job.Remark, Step: step, Attempt: f.LastAttempt(step), By: k.by(x), Text: text})
	})
}

func (c *Console) jobAttach(x *cli.Context) error {
	k, err := c.openJob(x)
	if err != nil {
		return err
	}
	files := x.Args().Slice()[1:]
	if len(files) == 0 {
		return errors.New("name the files to keep with the job")
	}
	step, err := k.stepFlagOf(x)
	if err != nil {
		return err
	}
	photo := strings.HasPrefix(x.String("role"), "photo") || x.String("role") == "close-up"
	small := make([][]byte, len(files))
	for i, file := range files {
		if photo {
			small[i], err = printVersion(c.path(file), len(k.input.Job.Card.Photos)+i)
		} else {
			err = checkFile(c.path(file))
		}
		if err != nil {
			return err
		}
	}
	return k.work(func(f *job.Folder) error {
		for i, file := range files {
			e, err := f.KeepPhoto(job.Photo{File: c.path(file), Role: x.String("role"), Caption: x.String("caption"), Print: small[i]})
			if err != nil {
				return err
			}
			if photo {
				err = f.Amend(func(j *reading.Job) { j.Card.Photos = append(j.Card.Photos, e.Evidence) })
			}
			if err == nil {
				err = f.Append(job.Entry{
					Kind: job.Remark, Step: step, Attempt: f.LastAttempt(step), By: k.by(x), File: &e, Text: "attached " + e.Name,
				})
			}
			if err != nil {
				return err
			}
			fmt.Fprintf(c.Out, "Kept %s, SHA-256 %s.\n", e.Name, e.SHA256)
		}
		return nil
	})
}

// work takes the job for this process while do is at work on it.
func (k *openCase) work(do func(*job.Folder) error) (err error) {
	f, err := job.Open(k.dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return do(f)
}

func (k *openCase) by(x *cli.Context) string {
	if by := x.String("by"); by != "" {
		return by
	}
	return k.input.Job.Technician
}

// printVersion reads a photo whole, so that one that is cut off is refused now
// and not when the certificate is written, and makes its version for print, the
// nth of its job.
func printVersion(path string, n int) ([]byte, error) {
	if err := checkFile(path); err != nil {
		return nil, err
	}
	img, err := readPicture(path)
	if err != nil {
		return nil, fmt.Errorf("%s is not a picture this program reads: %w", path, err)
	}
	return report.PrintVersion(img, n)
}

func checkFile(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	if info.IsDir() {
		return fmt.Errorf("%s is a folder; name a file in it", path)
	}
	return nil
}
