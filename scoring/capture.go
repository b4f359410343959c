package scoring

import (
	"fmt"
	"runtime"
	"sync"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/memory"
	"proveout/scoring/picture"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// PictureMode returns the frame buffer of a display mode, "1024x768x16" or
// "1024x768x16@75". Pixels of 16 bits are RGB565, of 15 bits RGB555, of 8 bits
// go through the palette of the test pictures.
func PictureMode(text string) (pattern.Mode, error) {
	m, err := plans.ParseMode(text)
	if err != nil {
		return pattern.Mode{}, err
	}
	p := pattern.Mode{Width: m.Width, Height: m.Height, Format: pattern.Format(m.Depth)}
	switch {
	case m.Depth == 0:
		return p, fmt.Errorf("%q has no depth: write it like \"1024x768x16\"", text)
	case p.Format.Bytes() == 0:
		return p, fmt.Errorf("there are no test pictures of %d bits a pixel; there are of 8, 15, 16, 24 and 32", m.Depth)
	}
	if err := p.Check(); err != nil {
		return p, fmt.Errorf("no test picture can be made for %s: %w", text, err)
	}
	return p, nil
}

// FrameMemory returns the memory that holds the picture, as
// [plans.Family.FrameMemory] names it. It is nil when the family does not say
// how its chips are put together.
func FrameMemory(f *plans.Family) *memory.Organisation {
	if f == nil {
		return nil
	}
	pool := f.FrameMemory()
	if pool == nil || pool.Words == 0 {
		return nil
	}
	o := Organisation(*pool)
	return &o
}

// A compared capture is what one capture said.
type compared struct {
	capture *reading.Capture
	pattern pattern.Pattern // zero when it is not known
	mode    string          // as documents print it
	result  *picture.Result // nil when it could not be compared
	shown   *raster.RGB     // the capture as read; nil when the result was kept
	err     error           // why it could not be compared
}

// title names what the capture shows.
func (c *compared) title() fact.Fact {
	if c.pattern.Kind == 0 {
		return fact.Text(fact.Name(c.capture.Name))
	}
	return fact.New("capture.of", "pattern", c.pattern.Name(), "mode", c.mode)
}

// mostAtOnce bounds how many captures are held at once: a telephone's picture
// takes some hundred megabytes while it is compared.
const mostAtOnce = 4

// compareAll compares captures, several at a time.
func compareAll(files reading.Files, captures []reading.Capture, org *memory.Organisation) []*compared {
	out := make([]*compared, len(captures))
	slots := make(chan struct{}, min(mostAtOnce, runtime.GOMAXPROCS(0)))
	var all sync.WaitGroup
	for i := range captures {
		all.Go(func() {
			slots <- struct{}{}
			defer func() {
				// A file that brings a decoder down is one that cannot be read.
				if r := recover(); r != nil {
					out[i] = &compared{capture: &captures[i], mode: captures[i].Mode,
						err: fact.New("capture.unreadable", "why", fmt.Sprint(r)).Err()}
				}
				<-slots
			}()
			out[i] = compareCapture(files, &captures[i], org)
		})
	}
	all.Wait()
	return out
}

// compareCapture reads one capture and compares it with the pattern it shows, or
// recalls what was found when it was compared before.
func compareCapture(files reading.Files, c *reading.Capture, org *memory.Organisation) *compared {
	out := &compared{capture: c, mode: c.Mode}
	out.err = out.compare(files, org)
	return out
}

func (c *compared) compare(files reading.Files, org *memory.Organisation) error {
	stated := c.capture
	var mode *pattern.Mode
	if stated.Mode != "" {
		m, err := PictureMode(stated.Mode)
		if err != nil {
			return err
		}
		mode = &m
	}
	key := captureKey(stated, org)
	if stated.Pattern != "" && mode != nil {
		if data, ok := files.Recall(stated.Evidence, key); ok && c.recalled(data, stated.Pattern, *mode) {
			return nil
		}
	}
	return c.afresh(files, mode, org)
}

// captureKey is everything beside the program that the result hangs on.
func captureKey(c *reading.Capture, org *memory.Organisation) string {
	key := fmt.Sprintf("%s %s %s %s %d", c.SHA256, c.Pattern, c.Mode, c.Route, c.Base)
	if org != nil {
		key += fmt.Sprintf(" %+v", *org)
	}
	return key
}

// recalled takes a kept result, and reports whether it is of use.
func (c *compared) recalled(data []byte, name string, mode pattern.Mode) bool {
	p, err := pattern.ParseName(name, mode)
	if err != nil {
		return false
	}
	r, err := picture.ReadMemo(data)
	if err != nil || r.Pattern != p.Name() {
		return false
	}
	c.pattern, c.result = p, r
	return true
}
