package command

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/harness/reading"
	"proveout/harness/register"
	"proveout/plans"
	"proveout/plans/document"
)

const shopFile = "shop.toml"

// shopDir finds the shop folder: by --shop, by PROVEOUT_SHOP, or upward from
// the working folder.
func (c *Console) shopDir(x *cli.Context) (string, error) {
	for _, dir := range []string{x.String("shop"), c.Getenv("PROVEOUT_SHOP")} {
		if dir == "" {
			continue
		}
		dir = c.path(dir)
		if _, err := os.Stat(filepath.Join(dir, shopFile)); err != nil {
			return "", fmt.Errorf("%s is no shop folder: it has no %s; make one with: proveout init %s", dir, shopFile, dir)
		}
		return dir, nil
	}
	start, err := filepath.Abs(c.path("."))
	if err != nil {
		return "", fmt.Errorf("the working folder cannot be read: %w", err)
	}
	for dir := start; ; dir = filepath.Dir(dir) {
		if _, err := os.Stat(filepath.Join(dir, shopFile)); err == nil {
			return dir, nil
		}
		if dir == filepath.Dir(dir) {
			return "", errors.New("no shop folder here or above; go into one, name it with --shop DIR, or make one with: proveout init DIR")
		}
	}
}

// path returns a path typed by a person as seen from the working folder of the
// process.
func (c *Console) path(p string) string {
	if c.Dir == "" || p == "" || filepath.IsAbs(p) {
		return p
	}
	return filepath.Join(c.Dir, p)
}

// shop reads the shop file.
func (c *Console) shop(x *cli.Context) (string, *plans.Shop, error) {
	dir, err := c.shopDir(x)
	if err != nil {
		return "", nil, err
	}
	shop, err := readShop(dir)
	return dir, shop, err
}

func readShop(dir string) (*plans.Shop, error) {
	path := filepath.Join(dir, shopFile)
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading the shop file: %w", err)
	}
	shop, problems := plans.ParseShop(path, data)
	if len(problems) > 0 {
		return nil, plans.AsError(problems)
	}
	return shop, nil
}

// A case is a job with everything that judging and reporting need.
type openCase struct {
	shopDir string
	dir     string
	input   reading.Input

	looked map[string]reading.Capture // captures looked at, by path
}

// openJob loads the job named by the first argument.
func (c *Console) openJob(x *cli.Context) (*openCase, error) {
	if x.NArg() == 0 {
		return nil, errors.New("name the job, as in: proveout " + strings.TrimPrefix(x.Command.FullName(), "proveout ") + " 2026-0001; proveout job list shows them")
	}
	dir, shop, err := c.shop(x)
	if err != nil {
		return nil, err
	}
	if err := knownTechnician(x, shop); err != nil {
		return nil, err
	}
	return loadCase(dir, shop, x.Args().First())
}

func loadCase(shopDir string, shop *plans.Shop, number string) (*openCase, error) {
	dir, err := job.Dir(shopDir, number)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("there is no job %q in %s; proveout job list shows the jobs", number, shopDir)
	}
	if err != nil {
		return nil, err
	}
	k := &openCase{shopDir: shopDir, dir: dir}
	k.input.Shop = shop
	return k, k.load()
}

// load reads the job afresh.
func (k *openCase) load() error {
	j, snapshot, err := job.Load(k.dir)
	if err != nil {
		return err
	}
	plan, family, err := parseSnapshot(k.dir, j, snapshot)
	if err != nil {
		return err
	}
	entries, warnings, err := register.Load(k.shopDir)
	if err != nil {
		return err
	}
	j.Warnings = append(j.Warnings, warnings...)
	k.input.Job, k.input.Plan, k.input.Family = j, plan, family
	k.input.References = register.Sets(entries, family.ID, family.Variant)
	k.input.Control, k.input.Answers = register.ControlRuns(entries), register.Answers(entries)
	k.input.Files = job.Files(k.dir)
	return nil
}

// computeAfresh lets nothing that was computed before stand in for the
// evidence: what is issued is judged from the files themselves.
func (k *openCase) computeAfresh() { k.input.Files = afresh{k.input.Files} }

// afresh are files of which nothing is known from before.
type afresh struct{ reading.Files }

func (afresh) Recall(reading.Evidence, string) ([]byte, bool) { return nil, false }

func parseSnapshot(dir string, j *reading.Job, s job.Snapshot) (*plans.Plan, *plans.Family, error) {
	plan, problems := plans.ParsePlan(filepath.Join(dir, "plan.toml"), s.Plan)
	if len(problems) > 0 {
		return nil, nil, plans.AsError(problems)
	}
	file, problems := plans.ParseFamily(filepath.Join(dir, "family.toml"), s.Family)
	if len(problems) > 0 {
		return nil, nil, plans.AsError(problems)
	}
	family, err := file.Variant(j.Card.Variant)
	return plan, family, err
}

// stepArgument returns the step named by the second argument.
func (k *openCase) stepArgument(x *cli.Context) (*plans.Step, error) {
	var ids []string
	for i := range k.input.Plan.Steps {
		ids = append(ids, k.input.Plan.Steps[i].ID)
	}
	if x.NArg() < 2 {
		return nil, errors.New("name the step; the plan has: " + strings.Join(ids, ", "))
	}
	return k.stepNamed(x.Args().Get(1))
}

// stepNamed returns the step of the plan with the given id.
func (k *openCase) stepNamed(name string) (*plans.Step, error) {
	var ids []string
	for i := range k.input.Plan.Steps {
		ids = append(ids, k.input.Plan.Steps[i].ID)
	}
	if step, ok := k.input.Plan.Step(name); ok {
		return step, nil
	}
	if near := document.Nearest(name, ids); near != "" {
		return nil, fmt.Errorf("the plan has no step %q; did you mean %q?", name, near)
	}
	return nil, fmt.Errorf("the plan has no step %q; the plan has: %s", name, strings.Join(ids, ", "))
}

// refuseHeld refuses to go on with a powered step behind a gate that failed.
func (k *openCase) refuseHeld(step *plans.Step) error {
	if gate, held := k.held(step); held {
		return fmt.Errorf("step %s is held: the gate %q failed. Nobody powers the card until it passes; put it right and record it again with --retest", step.ID, gate)
	}
	return nil
}
