package command

import (
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/workflow"
	"proveout/plans/fact"
	"proveout/report/content"
	"proveout/report/words"
)

// codeFlag is a flag for a language: one that there are words in.
func codeFlag(of, otherwise string) *cli.StringFlag {
	codes := strings.Join(words.Languages(), ", ")
	return textFlag("language", "`CODE` of "+of+" ("+codes+")"+otherwise)
}

var (
	paperFlag      = textFlag("paper", "`SIZE` of paper: A4 or Letter; else the shop's")
	languageFlag   = codeFlag("the documents' language", "; else the shop's")
	printCodesFlag = boolFlag("print-codes", "print characters that the fonts do not have by their codes")
)

func (c *Console) certifyCommand() *cli.Command {
	return &cli.Command{
		Name:      "certify",
		Usage:     "issue the certificate of an accepted job",
		ArgsUsage: "JOB",
		Description: "The certificate carries the record of the test and is signed when the shop has a\n" +
			"key (proveout key new). Log files travel inside it as far as they are small, so\n" +
			"that a buyer can have all verdicts worked out again.",
		Flags: []cli.Flag{shopFlag, jsonFlag, paperFlag, languageFlag, byFlag, printCodesFlag,
			textFlag("replaces", "`NUMBER` of the certificate that this one takes the place of"),
			textFlag("because", "`WHY` it takes its place"),
			boolFlag("name-customer", "print the customer reference, which is left out otherwise"),
			boolFlag("no-logs", "leave the log files out of the certificate")},
		Action: c.onJob(func(x *cli.Context, job *workflow.Job) error { return c.issue(x, job, content.Certificate) }),
	}
}

func (c *Console) reportCommand() *cli.Command {
	return &cli.Command{
		Name:      "report",
		Usage:     "write a test report of a job in any state",
		ArgsUsage: "JOB",
		Flags:     []cli.Flag{shopFlag, jsonFlag, paperFlag, languageFlag, byFlag},
		Action:    c.onJob(func(x *cli.Context, job *workflow.Job) error { return c.issue(x, job, content.TestReport) }),
	}
}

// issue makes a document of a job.
func (c *Console) issue(x *cli.Context, job *workflow.Job, kind content.Kind) error {
	a, err := job.Issue(x.Context, workflow.Issue{
		Kind: kind, Paper: x.String("paper"), Language: x.String("language"),
		Replaces: x.String("replaces"), Because: x.String("because"), NameCustomer: x.Bool("name-customer"),
		NoLogs: x.Bool("no-logs"), PrintCodes: x.Bool("print-codes"),
		Passphrase: c.passphrase,
	})
	beside := c.beside(x)
	for _, n := range a.Notes {
		beside.whole(fact.New("screen.note", "what", n))
	}
	if err != nil {
		return err
	}
	if x.Bool("json") {
		if err := c.answer(a); err != nil {
			return err
		}
	}
	if a.Number == "" {
		beside.fact(0, fact.New("screen.no-certificate", "job", a.Job, "reason", job.Outcome().Reason))
		for _, s := range a.Standing {
			beside.led("- ", beside.Bound(s))
		}
		return errNotPassed
	}
	if !x.Bool("json") {
		beside.whole(fact.New("screen.issued", "number", a.Number))
		beside.line(a.Document)
		beside.line(a.Page)
	}
	return nil
}
