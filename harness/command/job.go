package command

import (
	"errors"
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/harness/workflow"
	"proveout/plans/fact"
)

func (c *Console) jobCommands() *cli.Command {
	return &cli.Command{
		Name:  "job",
		Usage: "open, list and show jobs; keep notes and files with them",
		Subcommands: []*cli.Command{
			{
				Name: "open", Usage: "open a job for a card that came in",
				Flags: openFlags(), Action: c.onShop(c.jobOpen),
			},
			{
				Name: "list", Usage: "list the jobs of the shop",
				Flags: []cli.Flag{shopFlag, jsonFlag, screenLanguageFlag}, Action: c.onShop(c.jobList),
			},
			{
				Name: "show", Usage: "show a job and where it stands", ArgsUsage: "JOB",
				Flags: []cli.Flag{shopFlag, jsonFlag, screenLanguageFlag}, Action: c.onJob(c.jobShow),
			},
			{
				Name: "note", Usage: "keep a remark with a job", ArgsUsage: "JOB TEXT…",
				Flags: []cli.Flag{shopFlag, stepFlag, byFlag}, Action: c.onJob(c.jobNote),
			},
			{
				Name: "attach", Usage: "keep files with a job", ArgsUsage: "JOB FILE…", Action: c.onJob(c.jobAttach),
				Flags: []cli.Flag{shopFlag, stepFlag, byFlag,
					usualFlag("role", "what it is: `ROLE`, such as photo after, close-up", "file"),
					textFlag("caption", "`TEXT` under it")},
			},
		},
	}
}

var (
	stepFlag = textFlag("step", "step `ID` it belongs to")
	byFlag   = textFlag("by", "technician `ID`; else the one of the job")
)

func openFlags() []cli.Flag {
	return []cli.Flag{
		shopFlag, jsonFlag,
		neededFlag("plan", "acceptance plan `ID`"),
		neededFlag("family", "board family `ID`"),
		textFlag("variant", "variant `NAME` of the family"),
		textFlag("title", "what documents call the card: `TEXT`; else the family's title"),
		textFlag("serial", "serial `NUMBER`"),
		textsFlag("mark", "what else ties paper and card, `NAME=VALUE`; may be repeated"),
		textFlag("complaint", "`TEXT` of the complaint as received"),
		textFlag("complaint-every", "how often the fault came back: `DURATION`"),
		textFlag("condition", "condition as received: `TEXT`"),
		textsFlag("work", "`KIND` of work done, may be repeated"),
		textFlag("work-notes", "`TEXT` on the work done"),
		textFlag("customer", "customer `REFERENCE`"),
		textFlag("bench", "bench `ID`; not needed when the shop has one"),
		textFlag("technician", "technician `ID`; not needed when the shop has one"),
		textsFlag("before", "photo `FILE` as received, may be repeated"),
		textsFlag("after", "photo `FILE` after the repair, may be repeated"),
		textsFlag("close-up", "close-up `FILE` that shows marks, may be repeated"),
	}
}

// opening gathers what the flags say of the card.
func (c *Console) opening(x *cli.Context, shop *workflow.Shop) (*workflow.Incoming, error) {
	in := shop.Receive()
	in.Opening.Card.Title, in.Opening.Card.Serial = x.String("title"), x.String("serial")
	in.Complaint, in.Condition, in.WorkNotes = x.String("complaint"), x.String("condition"), x.String("work-notes")
	in.Customer = x.String("customer")
	if err := in.SetFamily(x.String("family")); err != nil {
		return nil, err
	}
	for _, set := range []struct {
		flag string
		take func(string) error
	}{{"variant", in.SetVariant}, {"plan", in.SetPlan}, {"bench", in.SetBench}} {
		if err := set.take(x.String(set.flag)); err != nil {
			return nil, err
		}
	}
	var err error
	if in.Technician, err = shop.TechnicianNamed(x.String("technician")); err != nil {
		return nil, err
	}
	if err := in.SetComplaintEvery(x.String("complaint-every")); err != nil {
		return nil, fmt.Errorf("--complaint-every: %w", err)
	}
	photo := func(role string) func(string) error {
		return func(file string) error { return in.AddPhoto(c.path(file), role) }
	}
	for _, list := range []struct {
		flag string
		add  func(string) error
	}{
		{"mark", in.AddMark}, {"work", in.AddWork},
		{"before", photo("photo before")}, {"after", photo("photo after")}, {"close-up", photo("close-up")},
	} {
		for _, text := range x.StringSlice(list.flag) {
			if err := list.add(text); err != nil {
				return nil, fmt.Errorf("--%s: %w", list.flag, err)
			}
		}
	}
	return in, nil
}

func (c *Console) jobOpen(x *cli.Context, shop *workflow.Shop) error {
	in, err := c.opening(x, shop)
	if err != nil {
		return err
	}
	job, err := in.Open()
	if err != nil {
		return err
	}
	answer := map[string]string{
		"job": job.Input.Job.Number, "folder": job.Dir, "plan": job.Plan.ID,
		"family": job.Family.ID, "variant": job.Family.Variant, "bench": job.Input.Job.Bench,
	}
	return c.give(x, answer, true, func(p *printer) {
		p.fact(0, workflow.OpenedSaid(job))
		p.whole(fact.New("screen.next-opened", "job", job.Input.Job.Number))
	})
}

func (c *Console) jobList(x *cli.Context, shop *workflow.Shop) error {
	jobs, err := shop.Jobs()
	if err != nil {
		return err
	}
	return c.give(x, map[string]any{"jobs": jobs}, true, func(p *printer) {
		if len(jobs) == 0 {
			p.say(fact.New("screen.no-jobs-open-one"))
		}
		var rows [][]string
		for _, j := range jobs {
			state := j.Verdict.Fact()
			switch {
			case j.Trouble != "":
				state = fact.New("screen.cannot-be-read", "why", j.Trouble)
			case j.Accepted:
				state = fact.New("screen.is-accepted")
			}
			rows = append(rows, []string{j.Job, j.Card, j.Serial, p.Tell(state)})
		}
		p.table(rows...)
	})
}

func (c *Console) jobShow(x *cli.Context, job *workflow.Job) error {
	o, j := job.Outcome(), job.Input.Job
	answer := map[string]any{
		"job": j.Number, "opened": j.Opened, "card": shownCardOf(job), "complaint": j.Complaint,
		"condition": j.Condition, "work": j.Work, "customer": j.Customer, "bench": j.Bench,
		"technician": j.Technician, "plan": j.Plan, "verdict": o.Verdict, "accepted": o.Accepted,
		"waits_for": job.WaitsFor(), "folder": job.Dir, "warnings": j.Warnings,
	}
	return c.give(x, answer, true, func(p *printer) {
		p.job(job)
		p.gap()
		p.outcome(o, false)
	})
}

// job prints what is known of a job.
func (p *printer) job(job *workflow.Job) {
	var rows [][]string
	row := func(name fact.Fact, value string) {
		if value != "" {
			rows = append(rows, []string{p.Tell(name), value})
		}
	}
	j := job.Input.Job
	row(fact.New("job-show.job"), j.Number)
	row(fact.New("job-show.opened"), localTime(j.Opened))
	row(fact.New("job-show.card"), j.Card.Title)
	row(fact.New("job-show.family"), strings.TrimSpace(j.Card.Family+" "+j.Card.Variant))
	row(fact.New("job-show.serial"), j.Card.Serial)
	for _, m := range j.Card.Marks {
		row(fact.Text(fact.Name(m.Name)), m.Value)
	}
	row(fact.New("job-show.complaint"), j.Complaint)
	row(fact.New("job-show.condition"), j.Condition)
	var work []fact.Fact
	for _, w := range j.Work {
		work = append(work, fact.Text(fact.Phrase(w)))
	}
	row(fact.New("job-show.work"), p.Tell(fact.Text(fact.ListOf(fact.Comma, work))))
	row(fact.New("job-show.customer"), j.Customer)
	row(fact.New("job-show.bench"), j.Bench)
	row(fact.New("job-show.plan"), j.Plan)
	row(fact.New("job-show.folder"), job.Dir)
	p.table(rows...)
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

func shownCardOf(j *workflow.Job) shownCard {
	c := j.Input.Job.Card
	out := shownCard{Family: c.Family, Variant: c.Variant, Title: c.Title, Serial: c.Serial}
	for _, m := range c.Marks {
		out.Marks = append(out.Marks, shownMark(m))
	}
	for _, p := range c.Photos {
		path := job.EvidencePath(j.Dir, p)
		out.Photos = append(out.Photos, shownPhoto{p.SHA256, p.Name, p.Size, p.Role, p.Caption, path, p.Print})
	}
	return out
}

// stepOf is the step that --step names; empty without it.
func stepOf(x *cli.Context, job *workflow.Job) (string, error) {
	id := x.String("step")
	if id == "" {
		return "", nil
	}
	_, err := job.Step(id)
	return id, err
}

func (c *Console) jobNote(x *cli.Context, job *workflow.Job) error {
	text := strings.TrimSpace(strings.Join(x.Args().Slice()[1:], " "))
	if text == "" {
		return errors.New("write the note behind the job")
	}
	step, err := stepOf(x, job)
	if err != nil {
		return err
	}
	return job.Note(step, text)
}

func (c *Console) jobAttach(x *cli.Context, job *workflow.Job) error {
	if x.NArg() < 2 {
		return errors.New("name the files to keep with the job")
	}
	step, err := stepOf(x, job)
	if err != nil {
		return err
	}
	var files []string
	for _, name := range x.Args().Slice()[1:] {
		files = append(files, c.path(name))
	}
	a := workflow.Attachment{Step: step, Role: x.String("role"), Caption: x.String("caption")}
	kept, err := job.Attach(a, files...)
	for _, e := range kept {
		c.printer().whole(fact.New("screen.kept", "file", e.Name, "sha256", e.SHA256))
	}
	return err
}
