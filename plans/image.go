package plans

import (
	"fmt"
	"strings"

	"proveout/plans/document"
	"proveout/plans/fact"
	"proveout/plans/quantity"
)

// ImageKind is the 2D picture in the family's modes.
const ImageKind Kind = "image"

var _ = declare(Declaration{
	Kind: ImageKind, Position: 80, What: "2D picture in the family's modes",
	Powered: true, Files: Captures,
	New: func() Spec { return &Image{Captures: CapturesWelcome} },
})

// Image is what an image step says.
type Image struct {
	Modes    StepModes
	Patterns []string   // names of test pictures
	Captures CaptureUse // whether the pictures must be captured
	// Lines is the share, 0 to 1, of the data lines that the captures show which they
	// must judge, all of them good; nil means all, none without captures. What holds nothing of a picture, such
	// as a bank behind it, no picture can judge, and it does not count.
	Lines *quantity.Quantity
}

// CaptureUse says whether the pictures of an image step must be captured.
type CaptureUse string

// The uses of captures.
const (
	CapturesWelcome  CaptureUse = "welcome"  // compared when there are any; without one, what was seen decides alone
	CapturesRequired CaptureUse = "required" // the step is not complete without a capture of every picture
)

func (i *Image) keys() []key {
	captures := ""
	if i.Captures == CapturesRequired {
		captures = "required of every picture"
	}
	return []key{
		i.Modes.key(),
		{Name: "patterns", To: document.Texts(&i.Patterns), Label: "pictures", Filled: "name a picture, or remove the key",
			What: "names of the test pictures to show; proveout picture list has them"},
		{Name: "captures", To: document.Word(&i.Captures, CapturesWelcome, CapturesRequired), Says: captures,
			What: "whether every picture must be captured and compared"},
		{Name: "lines", To: exactly(&i.Lines, quantity.Ratio), Label: "data lines", Absent: "all",
			What: `how many of the data lines that the captures show they must judge: "100 %", or less for photographs; ` +
				"where it stands, captures are needed"},
	}
}

func (i *Image) check(s *section) {
	if i.Lines != nil && (i.Lines.Value <= 0 || i.Lines.Value > 1) {
		s.Problem("lines", i.Lines.Text+" of the data lines cannot be judged", `write "100 %", or a smaller share`)
	}
	if i.Captures == CapturesRequired && !s.Has("patterns") {
		s.Problem("captures", "no picture is named that could be captured", `name them, such as patterns = ["random-1"]`)
	}
	if !s.Has("patterns") {
		return
	}
	for _, item := range s.Table().Get("patterns").Value.Items {
		name := strings.TrimSpace(item.Text)
		if item.Type != document.String || name == "" || IsTestPicture(name) || s.Full() {
			continue
		}
		fix := "proveout picture list shows the names"
		if near := document.Nearest(name, TestPictures()); near != "" {
			fix = fmt.Sprintf("did you mean %q? proveout picture list shows all names", near)
		}
		s.Add(item.At, "patterns", "there is no test picture "+document.Quoted(name), fix)
	}
}

func (i *Image) against(x *crossCheck) { i.Modes.against(x) }

func (i *Image) fields(family *Family) []Field {
	var out []Field
	for _, m := range i.Modes.On(family) {
		out = append(out, Field{Name: m, Ask: fact.New("ask.picture", "mode", m), Clean: true,
			Required: true, Expected: Answer(PictureClean)})
	}
	depth := Field{Name: "depth", Ask: fact.New("ask.depth"),
		Dimension: quantity.Bits, Unit: "bit", Nominal: float64(family.MaxDepth)}
	if family.MaxDepth > 0 {
		depth.Expected = fact.Text(fact.In(float64(family.MaxDepth), "bit").Whole())
	}
	return append(out, depth)
}
