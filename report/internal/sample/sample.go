// Package sample makes invented documents for the tests of the report: one
// accepted, one failed, one inconclusive, and one with everything that is
// awkward to print.
//
// Each is judged from answers as people type them and logs as benches make them,
// so that it says what the program says. Shop, card, people and numbers are made
// up.
package sample

import (
	_ "embed"
	"fmt"
	"math/rand/v2"
	"time"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/report/content"
	"proveout/scoring"
)

var (
	//go:embed shop.toml
	shopText []byte
	//go:embed plan.toml
	planText []byte
	//go:embed family.toml
	familyText []byte
	//go:embed results.toml
	resultsText []byte
)

var zone = time.FixedZone("", 3600)

func at(day, hour, minute int) time.Time {
	return time.Date(2026, 11, day, hour, minute, 0, 0, zone)
}

// fakeHash stands for the SHA-256 of a file that there is not.
func fakeHash(n uint64) string {
	r := rand.New(rand.NewPCG(n, 17))
	return fmt.Sprintf("%016x%016x%016x%016x", r.Uint64(), r.Uint64(), r.Uint64(), r.Uint64())
}

// Accepted is a certificate with figures and six photos.
func Accepted() *content.Document {
	d := judged("HW-2026-0042", input(""))
	d.Kind = content.Certificate
	d.AuthorisedBy = "Marit Osk"
	return d
}

// Failed is a test report of a card whose memory and picture fail, the picture
// twice.
func Failed() *content.Document {
	in := input(`
[memory]
size = "12 MiB"
[image]
"640x480x16@75" = "thin coloured columns all over"
"800x600x16@75" = "thin coloured columns all over"
"1024x768x16@75" = "thin coloured columns all over"
depth = "32 bit"
`)
	in.Job.Card.Serial = ""
	again := in.Job.Attempts["image"][0]
	again.Number, again.Started, again.Ended = 2, at(5, 9, 40), at(5, 9, 48)
	again.Notes = []reading.Note{
		{At: again.Ended, By: "mo", Text: "Same columns with another cable and another monitor."},
	}
	in.Job.Attempts["image"] = append(in.Job.Attempts["image"], again)
	delete(in.Job.Attempts, "soak")
	return judged("HW-2026-0043", in)
}

// Inconclusive is a test report of a card whose memory clock lies too near its
// limit for the instrument that was used.
func Inconclusive() *content.Document {
	return judged("HW-2026-0044", input(`
[clocks]
core = "131.0 MHz"
memory = "148.0 MHz"
instrument = "readout"
`))
}

// judged is the test report of a job.
func judged(number string, in reading.Input) *content.Document {
	outcome := scoring.Score(in)
	d := &content.Document{
		Record: content.Record{
			Number: number, IssuedAt: at(5, 16, 20), Tool: "proveout 0.1.0", Technician: "Marit Osk",
			Shop: in.Shop, Job: in.Job, Outcome: &outcome, Photos: photos(6, 240, 180),
		},
		Plan: in.Plan, Family: in.Family,
	}
	for i, p := range d.Photos {
		d.Job.Card.Photos = append(d.Job.Card.Photos, reading.Evidence{
			SHA256: p.SHA256, Name: fmt.Sprintf("IMG_%04d.jpg", 2100+i), Size: 2_831_224 + int64(i)*91_113,
			Role: p.Role, Caption: p.Caption,
		})
	}
	return d
}

// input is a job in which every step passes, but for those that other results
// replace.
func input(others string) reading.Input {
	plan, problems := plans.ParsePlan("plan.toml", planText)
	must(problems)
	file, problems := plans.ParseFamily("family.toml", familyText)
	must(problems)
	family, err := file.Variant("")
	if err != nil {
		panic(err)
	}
	shop, problems := plans.ParseShop("shop.toml", shopText)
	must(problems)
	in := reading.Input{Plan: plan, Family: family, Shop: shop, Files: files{}, Job: &reading.Job{
		Number: "2026-0042", Opened: at(2, 10, 12), Plan: plan.ID, Bench: "agp-1", Technician: "mo", Customer: "C-2291",
		Card: reading.Card{
			Family: family.ID, Title: "Quellan Vantor 24 AGP", Serial: "QV24-0773-4410",
			Marks: []reading.Mark{
				{Name: "Date code U1", Value: "0031"},
				{Name: "Date code U2–U7", Value: "0027 ×6"},
				{Name: "Sticker on back", Value: "KX 118-204"},
			},
		},
		Complaint: "Picture breaks up after about ten minutes; sometimes only half the memory is found.",
		Condition: "Light dust, heatsink loose on one pin, earlier repair visible at U4 (flux left behind).",
		Work:      []string{"memory chips replaced", "pins resoldered", "thermal compound renewed"},
		WorkNotes: "U4 replaced by a chip of the same type and speed; pins 31 to 34 of U1 resoldered; " +
			"two bridges at U2 cleared.",
		Attempts: map[string][]reading.Attempt{},
	}}
	answer(in, resultsText)
	if others != "" {
		answer(in, []byte(others))
	}
	in.Job.Attempts["load"][0].Logs = []reading.Log{framesLog}
	soak := in.Job.Attempts["soak"][0]
	soak.Number, soak.Started, soak.Ended, soak.Ran = 2, at(5, 10, 5), at(5, 10, 46), 2460
	soak.Logs = []reading.Log{soakLog}
	soak.Notes = []reading.Note{{At: at(5, 10, 20), By: "mo", Text: "Side panel closed."}}
	in.Job.Attempts["soak"] = []reading.Attempt{
		{Number: 1, Started: at(4, 15, 30), Ended: at(4, 15, 41), By: "mo", Ran: 660,
			Cut: "The bench lost power after 11 minutes."},
		soak,
	}
	return in
}

// answer gives each step that results name one attempt with them, half an hour
// after the step before.
func answer(in reading.Input, results []byte) {
	parsed, problems := reading.ParseResults("results.toml", results, in.Plan, in.Family)
	must(problems)
	for _, r := range parsed {
		begun := at(4, 9, 0).Add(time.Duration(len(in.Job.Attempts)) * 30 * time.Minute)
		for i := range r.Readings {
			r.Readings[i].At, r.Readings[i].Instrument = begun, r.Instrument
		}
		in.Job.Attempts[r.Step] = []reading.Attempt{
			{Number: 1, Started: begun, Ended: begun.Add(10 * time.Minute), By: "mo", Readings: r.Readings},
		}
	}
}

func must(problems []plans.Problem) {
	if len(problems) > 0 {
		panic(plans.AsError(problems))
	}
}
