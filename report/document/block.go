package document

import (
	"math"
	"slices"
	"strings"

	"github.com/johnfercher/go-tree/node"
	"github.com/johnfercher/maroto/v2/pkg/core"
	"github.com/johnfercher/maroto/v2/pkg/core/entity"

	"proveout/report/chart"
)

// family is the name the documents' fonts go by in the PDF.
const family = "body"

var (
	black    = chart.RGB{}
	darkGrey = chart.RGB{R: 0x44, G: 0x44, B: 0x44}
	midGrey  = chart.RGB{R: 0x99, G: 0x99, B: 0x99}
	paleGrey = chart.RGB{R: 0xEC, G: 0xEC, B: 0xEC}
	whiteInk = chart.RGB{R: 0xFF, G: 0xFF, B: 0xFF}
	green    = chart.RGB{R: 0x00, G: 0x9E, B: 0x73}
	vermil   = chart.RGB{R: 0xD5, G: 0x5E, B: 0x00}
	amber    = chart.RGB{R: 0xE6, G: 0x9F, B: 0x00}
)

// A block is a piece of a page of known height whose parts stand at fixed
// places, in mm from its upper left corner. It is a maroto component.
type block struct {
	tag   *element // what the parts added from here on belong to; nil: decoration
	tags  *tags
	last  bool // what the page gets after it is no content
	h     float64
	fills []fillOp
	parts []part

	provider core.Provider // what the block was last measured with
}

type fillOp struct {
	x, y, w, h float64
	color      chart.RGB
	tag        *element
}

// A part is a line of text or anything else in the rectangle x, y, w, h of the
// block; it is never split. It draws on a canvas of that rectangle.
type part struct {
	x, y, w, h float64
	draw       func(c *canvas)
	tag        *element
}

// A face is how a text is set.
type face struct {
	size   float64
	weight chart.Weight
	color  chart.RGB // black when it is left out
}

// lead is the distance of two baselines, mm.
func (f face) lead() float64 { return f.size * ptmm * 1.28 }

// rise is the distance from the top of a line to its baseline, mm.
func (f face) rise() float64 { return f.size * ptmm * 0.98 }

// width is how wide a line is to the eye, mm.
func (f face) width(s string) float64 {
	return chart.Width(f.weight, f.size, strings.TrimRight(s, " ")) * ptmm
}

// fitted is the face made smaller in steps, down to the least size, until a line
// is at most so wide, mm.
func (f face) fitted(s string, width, least, step float64) face {
	for f.size > least && f.width(s) > width {
		f.size -= step
	}
	return f
}

// text sets wrapped text with its top at y and returns the y below it.
func (b *block) text(x, y, width float64, f face, s string) float64 {
	return b.lines(x, y, f, f.wrap(s, width))
}

func (b *block) lines(x, y float64, f face, lines []string) float64 {
	for _, l := range lines {
		b.line(x, y+f.rise(), f, l)
		y += f.lead()
	}
	b.h = math.Max(b.h, y)
	return y
}

// as makes the parts added from here on the content of an element, and returns
// the block.
func (b *block) as(e *element) *block {
	b.tag = e
	return b
}

// line sets one line with its baseline at y.
func (b *block) line(x, y float64, f face, s string) {
	if s == "" {
		return
	}
	up, down := f.size*ptmm, f.size*ptmm*0.25 // what a line takes over and under its baseline
	b.parts = append(b.parts, part{x, y - up, f.width(s), up + down, func(c *canvas) {
		c.Text(f.color, f.weight, f.size, chart.Point{Y: down / ptmm}, s)
	}, b.tag})
}

// right sets one line that ends at x.
func (b *block) right(x, y float64, f face, s string) {
	b.line(x-f.width(s), y, f, s)
}

// center sets one line in the middle of x and x+w.
func (b *block) center(x, w, y float64, f face, s string) {
	b.line(x+(w-f.width(s))/2, y, f, s)
}

// fill fills a rectangle, which is decoration.
func (b *block) fill(x, y, w, h float64, c chart.RGB) {
	b.fills = append(b.fills, fillOp{x, y, w, h, c, nil})
	b.h = math.Max(b.h, y+h)
}

// frame draws the outline of a rectangle, t mm thick, inside it.
func (b *block) frame(x, y, w, h, t float64, c chart.RGB) {
	b.fill(x, y, w, t, c)
	b.fill(x, y+h-t, w, t, c)
	b.fill(x, y+t, t, h-2*t, c)
	b.fill(x+w-t, y+t, t, h-2*t, c)
}

func (b *block) add(x, y, w, h float64, draw func(c *canvas)) {
	b.parts = append(b.parts, part{x, y, w, h, draw, b.tag})
	b.h = math.Max(b.h, y+h)
}

// undone is the block as mere decoration.
func (b *block) undone() *block {
	o := *b
	o.tag = nil
	o.parts = slices.Clone(b.parts)
	for i := range o.parts {
		o.parts[i].tag = nil
	}
	return &o
}

// join puts another block into this one.
func (b *block) join(o *block, x, y float64) {
	for _, f := range o.fills {
		f.x, f.y = f.x+x, f.y+y
		b.fills = append(b.fills, f)
	}
	for _, p := range o.parts {
		p.x, p.y = p.x+x, p.y+y
		b.parts = append(b.parts, p)
	}
	b.h = math.Max(b.h, y+o.h)
}

// sliver is a height for which no page is begun, mm: nobody sees it missing.
const sliver = 0.01

// split parts the block at or above limit so that only fills are cut, and
// returns both parts; the second is nil when nothing is left for it, the first
// has no height when nothing fits.
func (b *block) split(limit float64) (head, rest *block) {
	at := b.cut(limit)
	head, rest = &block{h: at}, &block{h: b.h - at}
	for _, f := range b.fills {
		if top := f; top.y < at {
			top.h = math.Min(top.h, at-top.y)
			head.fills = append(head.fills, top)
		}
		if f.y+f.h > at {
			low := math.Max(f.y, at)
			rest.fills = append(rest.fills, fillOp{f.x, low - at, f.w, f.y + f.h - low, f.color, f.tag})
		}
	}
	for _, p := range b.parts {
		if p.y+p.h <= at {
			head.parts = append(head.parts, p)
		} else {
			p.y -= at
			rest.parts = append(rest.parts, p)
		}
	}
	if rest.h <= sliver {
		rest = nil
	}
	return head, rest
}

// cut returns the lowest place at or above limit that runs through no part.
func (b *block) cut(limit float64) float64 {
	at := math.Min(limit, b.h)
	for again := true; again && at > 0; {
		again = false
		for _, p := range b.parts {
			if p.y < at-1e-6 && at < p.y+p.h {
				at, again = p.y, true
			}
		}
	}
	return math.Max(0, at)
}

// Render draws the block: fills first, then parts.
func (b *block) Render(_ core.Provider, cell *entity.Cell) {
	for _, f := range b.fills {
		b.tags.mark(f.tag)
		b.tags.cover(f.tag, cell.X+f.x, cell.Y+f.y, f.w, f.h)
		// As a broad line: programs draw the thinnest lines so that they can be seen.
		c := newCanvas(b.tags.pdf, cell.X+f.x, cell.Y+f.y+f.h/2)
		c.Stroke(f.color, f.h/ptmm, nil, []chart.Point{{}, {X: f.w / ptmm}})
		c.finish()
	}
	for _, p := range b.parts {
		b.tags.mark(p.tag)
		b.tags.cover(p.tag, cell.X+p.x, cell.Y+p.y, p.w, p.h)
		c := newCanvas(b.tags.pdf, cell.X+p.x, cell.Y+p.y+p.h)
		p.draw(c)
		c.finish()
	}
	if b.tags.close(); b.last {
		b.tags.mark(nil)
	}
}

// GetHeight returns the height of the block, mm, and keeps the provider.
func (b *block) GetHeight(provider core.Provider, _ *entity.Cell) float64 {
	b.provider = provider
	return b.h
}

// SetConfig has nothing to set.
func (b *block) SetConfig(*entity.Config) {}

// GetStructure names the component in maroto's tree.
func (b *block) GetStructure() *node.Node[core.Structure] {
	return node.New(core.Structure{Type: "block"})
}
