// Package lines reads the data lines of the memory out of a captured picture.
//
// A pattern, a capture on the grid of the pattern and the memory organisation
// come in; a judgement of every data line and the faults that explain the
// capture go out. A line that the picture could not judge is never called good.
//
// # What a picture tells of the memory
//
// Every bit of a random pattern is drawn by itself, and every bit of a pixel is
// held by one data line of one chip. Which one follows from the address: pixels
// whose addresses have one remainder modulo the width of the bus take their bits
// from the same lines. They are a lane class. A data line shows as one bit of one
// channel in one lane class, or in several; nothing else on the card divides the
// picture like that. So what is wrong in one lane class only is of the memory,
// and what is wrong in all of them alike is not: the converter, the capture
// device, the light.
//
// # From captured levels to bits
//
// First the capture device is described, by a [model]: gain, offset and exponent
// of each channel, and how it smooths across and down. The faults are in the
// picture while this is done. So levels are medians over bits and lane classes,
// and the last word have the lane classes that fit best.
//
// What the model predicts is then taken from what was captured, pixel by pixel.
// These residuals are summed by lane class, channel and written level. Between
// two levels that differ in one bit only, the residual of a good line is equal:
// the step is all shown. By how much it is not, in steps of the bit, is how
// strongly the shown bit follows the written one ([ratio]): 1 for a good line, 0
// for one that is stuck or open, ½ for one shorted to another. The standard error
// comes from the scatter of the residuals, and a line is called good or bad only
// when the ratio is several standard errors away from what the other would give.
//
// # From bad lines to faults
//
// Each fault predicts its own picture:
//
//   - a stuck or open line: its bit is the same everywhere, or random; the others
//     of the chip follow
//   - two lines shorted: both show the same, which follows both of them
//   - two lines exchanged: each follows the other
//   - a dead chip: nothing that it holds follows
//   - a lost bank: so do all chips of the bank, and none of another
//   - an address line: where it should be the other value, the bits are those
//     that were written a power of two of words away
//   - a weak chip: all follow, but here and there a bit is flipped, of all the
//     chip's bits alike
//   - a converter bit: one bit of one channel, in every lane class
//
// Rivals are compared by how far each lowers the sum of the squared residuals,
// in units of the noise's variance: for normal noise that is twice the logarithm
// of the likelihood ratio. One that needs two lines must earn the second: there
// are many pairs, and the best of many gains a little by chance. What wins is
// put into the picture, the residuals are taken anew, and the lines are judged
// again, until no bad line is left that no finding names: so that no fault is
// blamed for what another one leaves. Confidence grows with the distance from
// winner to best rival.
//
// The bounds in this package are of two kinds. Those that follow from a
// calculation say so where they stand. The others were set on simulated captures
// of clean and faulty cards by two independent capture devices and two cameras,
// so that clean cards raise an alarm in well under 1 of 200 captures and at least
// 95 of 100 single faults are named; the tests hold them to that.
package lines

import (
	"errors"
	"fmt"

	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// A Buffer is where the frame buffer lies in the memory.
type Buffer struct {
	Mode pattern.Mode
	Org  memory.Organisation
	Base int64 // byte address of the first pixel
}

// Check reports what makes the buffer impossible.
func (b Buffer) Check() error {
	if err := errors.Join(b.Mode.Check(), b.Org.Check()); err != nil {
		return err
	}
	if b.Base < 0 || b.Base+b.Mode.Bytes() > b.Org.Bytes() {
		return fmt.Errorf("the picture of %d bytes at address %d does not fit into the memory of %d bytes",
			b.Mode.Bytes(), b.Base, b.Org.Bytes())
	}
	return nil
}

// A Written picture is what was written to a buffer.
type Written struct {
	Buffer
	Codes []uint32 // of the pixels
	Bytes []byte   // of the frame buffer
}

// Task says how much to read out of a capture.
type Task int

// Everything judges lines and explains faults; LevelsOnly estimates levels and
// leaves all lines not judged, for patterns whose bits are not pseudo-random;
// FromPhotograph is Everything, but does not take a larger scatter in some lane
// classes for a weak chip, since sharpness and moiré vary over a photograph.
const (
	Everything Task = iota
	LevelsOnly
	FromPhotograph
)

// A Report is what a capture says about the memory.
type Report struct {
	Transfer Transfer
	Sharp    bool // the capture smooths nothing
	Lines    []Line
	Findings []memory.Fault
	Levels   [3][]Level     // transfer curve of each channel
	Residual [3][]float32   // what remains unexplained, screen levels; NaN where unusable
	Clean    [3]float64     // noise of each channel, screen levels
	hidden   []converterBit // lines behind them cannot be judged
}

// A Level is one point of a transfer curve.
type Level struct {
	Written uint8   // 8-bit level of the pattern
	Mean    float64 // mean captured level, corrected for gain and offset
	Count   int
}

// Analyse reads the data lines out of a capture. Channels that are missing are
// left out. The grid is trimmed to what could be used.
func Analyse(w Written, g *raster.Grid, missing [3]bool, task Task) (*Report, error) {
	l, err := newLanes(w.Buffer)
	if err != nil {
		return nil, err
	}
	if len(w.Codes) != g.Width*g.Height || g.Width != w.Mode.Width || g.Height != w.Mode.Height {
		return nil, fmt.Errorf("a grid of %d×%d and %d pixels do not belong to %s", g.Width, g.Height, len(w.Codes), w.Mode)
	}
	edge := w.Mode.Layout().Mark
	if task == FromPhotograph {
		g = insideOf(g, edge)
	}
	v := newView(l, w, g)
	v.task, v.model.missing = task, missing
	rep := &Report{}
	if task == LevelsOnly {
		v.model.fitPlainSmoothing(g, v.shown)
		v.setFew()
	} else {
		v.model.fitSmoothing(g, v.shown, edge)
	}
	if !v.model.sharp {
		g.Trim(2, 1)
	}
	v.fit()
	// Where a bank shows what was written elsewhere, half of its pixels are wrong.
	// No device is as noisy as that looks, and no level can be trusted before.
	const tooNoisy = 14 // levels
	if task != LevelsOnly && max(v.noise[0], v.noise[1], v.noise[2]) > tooNoisy {
		v.followFoldedBanks(rep)
	}
	j := v.judge()
	rep.Lines = j.lines()
	rep.Levels = v.curves()
	if task == LevelsOnly {
		for i := range rep.Lines {
			rep.Lines[i].State = NotJudged
		}
	} else {
		v.explain(j, rep)
		v.findWeakChip(rep)
	}
	rep.Transfer = v.transfer()
	rep.Residual, rep.Clean, rep.Sharp = v.residual, v.noise, v.model.sharp
	return rep, nil
}

// curves pools the mean captured level of each written level.
func (v *view) curves() (out [3][]Level) {
	for channel, levels := range v.level {
		for written, level := range levels {
			var sum cell
			for k := range v.tallies {
				c := v.tallies[k][channel].cells[written]
				sum.weighted += c.weighted
				sum.weight += c.weight
			}
			if sum.weight > 0.5 {
				mean := float64(level) + sum.weighted/sum.weight
				out[channel] = append(out[channel], Level{uint8(level), mean, int(sum.weight + 0.5)})
			}
		}
	}
	return out
}

// transfer sums up the model for reports.
func (v *view) transfer() (t Transfer) {
	m := v.model
	t.Gain, t.Offset, t.Gamma = m.gain, m.offset, m.gamma
	for channel := range 3 {
		t.Noise += v.noise[channel] * m.gain[channel] / 3
	}
	for _, phase := range v.grid.PhaseX { // phases that do not occur do not count
		for d, w := range m.across[phase] {
			t.Taps[d] += float64(w) / float64(len(v.grid.PhaseX))
		}
	}
	return t
}
