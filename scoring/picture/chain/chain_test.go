package chain

import (
	"bytes"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
	"proveout/scoring/picture/simulate"
)

func shown(t *testing.T, m pattern.Mode, name string) (*pattern.Frame, *raster.RGB) {
	p, err := pattern.ParseName(name, m)
	if err != nil {
		t.Fatal(err)
	}
	f, err := p.Render()
	if err != nil {
		t.Fatal(err)
	}
	return f, f.RGB()
}

// gridOf reads a capture of the size of the screen at its pixels.
func gridOf(p *raster.RGB) *raster.Grid {
	g := raster.NewGrid(p.Width, p.Height)
	for i, v := range p.Pix {
		g.V[i%3][i/3] = float32(v)
	}
	return g
}

func kindsOf(changes []Change) (out []Kind) {
	for _, c := range changes {
		out = append(out, c.Kind)
	}
	return out
}

// overColour puts new colour differences in the place of the old ones; brightness
// stays. ITU-R BT.601-7, 2.5.1.
func overColour(p *raster.RGB, of func(get func(x, y int) float64, x, y int) float64) *raster.RGB {
	out := p.Clone()
	at := func(x, y, k int) float64 {
		x, y = min(max(x, 0), p.Width-1), min(max(y, 0), p.Height-1)
		r, g, b := p.At(x, y)
		light := 0.299*float64(r) + 0.587*float64(g) + 0.114*float64(b)
		return []float64{light, (float64(b) - light) / 1.772, (float64(r) - light) / 1.402}[k]
	}
	for y := range p.Height {
		for x := range p.Width {
			light := at(x, y, 0)
			blue := of(func(x, y int) float64 { return at(x, y, 1) }, x, y)
			red := of(func(x, y int) float64 { return at(x, y, 2) }, x, y)
			clip := func(v float64) uint8 { return uint8(min(255, max(0, v+0.5))) }
			out.Set(x, y, clip(light+1.402*red), clip(light-0.344136*blue-0.714136*red), clip(light+1.772*blue))
		}
	}
	return out
}

func overPixels(p *raster.RGB, of func(v uint8, x, y, channel int) float64) *raster.RGB {
	out := p.Clone()
	for i, v := range p.Pix {
		out.Pix[i] = uint8(min(255, max(0, math.Round(of(v, i/3%p.Width, i/3/p.Width, i%3)))))
	}
	return out
}

func overRows(p *raster.RGB, from func(y int) (row, right int)) *raster.RGB {
	out := raster.New(p.Width, p.Height)
	for y := range p.Height {
		row, right := from(y)
		for x := range p.Width {
			r, g, b := p.At(min(max(x-right, 0), p.Width-1), row)
			out.Set(x, y, r, g, b)
		}
	}
	return out
}

// levels rounds to so many bits a channel, by an ordered threshold when dithered.
func levels(p *raster.RGB, bits [3]int, dithered bool) *raster.RGB {
	bayer := []float64{0, 8, 2, 10, 12, 4, 14, 6, 3, 11, 1, 9, 15, 7, 13, 5}
	return overPixels(p, func(v uint8, x, y, channel int) float64 {
		top := float64(int(1)<<bits[channel] - 1)
		add := 0.5
		if dithered {
			add = bayer[y%4*4+x%4] / 16
		}
		return math.Min(top, math.Floor(float64(v)/255*top+add)) * 255 / top
	})
}

func coded(t *testing.T, p *raster.RGB, quality int) *raster.RGB {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, p.Image(), &jpeg.Options{Quality: quality}); err != nil { // 4:2:0
		t.Fatal(err)
	}
	m, err := jpeg.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	return raster.FromImage(m)
}

func noisy(p *raster.RGB, sd float64) *raster.RGB {
	rng := rand.New(rand.NewPCG(5, 6))
	return overPixels(p, func(v uint8, _, _, _ int) float64 { return float64(v) + sd*rng.NormFloat64() })
}

type get = func(x, y int) float64

func pair(g get, x, y int) float64 { return (g(x&^1, y) + g(x|1, y)) / 2 }

// What a chain does to the picture of a good card is named.
func TestChains(t *testing.T) {
	keep := func(v uint8, _, _, _ int) float64 { return float64(v) }
	light := func(p *raster.RGB) *raster.RGB {
		return overPixels(p, func(_ uint8, x, y, _ int) float64 {
			r, g, b := p.At(x, y)
			return 0.299*float64(r) + 0.587*float64(g) + 0.114*float64(b)
		})
	}
	for _, tt := range []struct {
		name string
		do   func(p *raster.RGB) *raster.RGB
		want []Kind
	}{
		{"as it is", func(p *raster.RGB) *raster.RGB { return overPixels(p, keep) }, nil},
		{"noise", func(p *raster.RGB) *raster.RGB { return noisy(p, 6) }, nil},
		{"range 16 to 235", func(p *raster.RGB) *raster.RGB {
			return overPixels(p, func(v uint8, _, _, _ int) float64 { return 16 + float64(v)*219/255 })
		}, nil},
		{"gamma", func(p *raster.RGB) *raster.RGB {
			return overPixels(p, func(v uint8, _, _, _ int) float64 { return 255 * math.Pow(float64(v)/255, 0.7) })
		}, nil},
		{"blue is missing", func(p *raster.RGB) *raster.RGB {
			return overPixels(p, func(v uint8, _, _, channel int) float64 { return float64(v) * []float64{1, 1, 0}[channel] })
		}, nil},
		{"rows blended", func(p *raster.RGB) *raster.RGB {
			return overPixels(p, func(v uint8, x, y, channel int) float64 {
				r, g, b := p.At(x, min(p.Height-1, y+1))
				return (float64(v) + []float64{float64(r), float64(g), float64(b)}[channel]) / 2
			})
		}, nil},
		{"4:2:2 by pairs", func(p *raster.RGB) *raster.RGB { return overColour(p, pair) }, []Kind{SharedColour}},
		{"4:2:2 by pairs, noise", func(p *raster.RGB) *raster.RGB { return noisy(overColour(p, pair), 5) },
			[]Kind{SharedColour}},
		{"4:2:2 of every other", func(p *raster.RGB) *raster.RGB {
			return overColour(p, func(g get, x, y int) float64 { return g(x&^1, y) })
		}, []Kind{SharedColour}},
		{"4:2:2 between", func(p *raster.RGB) *raster.RGB {
			return overColour(p, func(g get, x, y int) float64 { return 0.75*pair(g, x, y) + 0.25*pair(g, x+2*(x&1)-1, y) })
		}, []Kind{SharedColour}},
		{"4:1:1", func(p *raster.RGB) *raster.RGB {
			return overColour(p, func(g get, x, y int) float64 { return (pair(g, x&^3, y) + pair(g, x|3, y)) / 2 })
		}, []Kind{SharedColour}},
		{"4:2:0, quality 95", func(p *raster.RGB) *raster.RGB { return coded(t, p, 95) }, []Kind{SharedColour}},
		{"4:2:0, quality 70", func(p *raster.RGB) *raster.RGB { return coded(t, p, 70) }, []Kind{SharedColour}},
		{"grey", light, []Kind{Grey}},
		{"grey and noisy", func(p *raster.RGB) *raster.RGB { return noisy(light(p), 3) }, []Kind{Grey}},
		{"5 bits", func(p *raster.RGB) *raster.RGB { return levels(p, [3]int{5, 5, 5}, false) }, []Kind{FewColours}},
		{"5 bits, dithered", func(p *raster.RGB) *raster.RGB { return levels(p, [3]int{5, 5, 5}, true) },
			[]Kind{FewColours}},
		{"4 bits", func(p *raster.RGB) *raster.RGB { return levels(p, [3]int{4, 4, 4}, false) }, []Kind{FewColours}},
		{"3, 3, 2 bits, dithered", func(p *raster.RGB) *raster.RGB { return levels(p, [3]int{3, 3, 2}, true) },
			[]Kind{FewColours}},
		{"fields exchanged", func(p *raster.RGB) *raster.RGB {
			return overRows(p, func(y int) (int, int) { return y ^ 1, 0 })
		}, []Kind{SwappedRows}},
		{"one field twice", func(p *raster.RGB) *raster.RGB {
			return overRows(p, func(y int) (int, int) { return y &^ 1, 0 })
		}, []Kind{DoubledRows}},
		{"fields 3 pixels apart", func(p *raster.RGB) *raster.RGB {
			return overRows(p, func(y int) (int, int) { return y, 3 * (y & 1) })
		}, []Kind{CombedRows}},
		{"fields a pixel apart", func(p *raster.RGB) *raster.RGB {
			return overRows(p, func(y int) (int, int) { return y, y & 1 })
		}, []Kind{CombedRows}},
	} {
		_, p := shown(t, pattern.Mode{Width: 640, Height: 240, Format: pattern.RGB565}, "random-1")
		if got := kindsOf(Examine(p, gridOf(tt.do(p)), Way{1280, 1, 1})); !slices.Equal(got, tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
}

// Plain pictures tell of their colours by what is grey, and by soft edges; a
// colour that is missing is neither.
func TestColoursOfPlainPictures(t *testing.T) {
	grey := func(p *raster.RGB) *raster.RGB {
		return overColour(p, func(get, int, int) float64 { return 0 })
	}
	without := func(channel int) func(p *raster.RGB) *raster.RGB {
		return func(p *raster.RGB) *raster.RGB {
			return overPixels(p, func(v uint8, _, _, ch int) float64 {
				if ch == channel {
					return 0
				}
				return float64(v)
			})
		}
	}
	smooth := func(p *raster.RGB) *raster.RGB { // 4:2:0 as some show it: between the shared colours
		return overColour(p, func(g get, x, y int) float64 {
			return (g(x-1, y-1) + 2*g(x, y-1) + g(x+1, y-1) + 2*g(x-1, y) + 4*g(x, y) + 2*g(x+1, y) +
				g(x-1, y+1) + 2*g(x, y+1) + g(x+1, y+1)) / 16
		})
	}
	for _, tt := range []struct {
		picture, name string
		do            func(p *raster.RGB) *raster.RGB
		want          []Kind
	}{
		{"solid-red", "grey", grey, []Kind{Grey}},
		{"ramp", "grey", grey, []Kind{Grey}},
		{"bit-red-4", "grey", grey, []Kind{Grey}},
		{"solid-white", "grey", grey, nil},
		{"ramp", "shared colours", smooth, []Kind{SharedColour}},
		{"grid", "shared colours", smooth, nil}, // it has none
		{"ramp", "no red", without(0), nil}, {"ramp", "no green", without(1), nil}, {"ramp", "no blue", without(2), nil},
		{"solid-red", "no red", without(0), nil}, {"solid-red", "no blue", without(2), nil},
		{"solid-yellow", "no red", without(0), nil},
	} {
		_, p := shown(t, pattern.Mode{Width: 320, Height: 240, Format: pattern.RGB565}, tt.picture)
		if got := kindsOf(Examine(p, gridOf(tt.do(p)), Way{640, 1, 1})); !slices.Equal(got, tt.want) {
			t.Errorf("%s, %s: %v, want %v", tt.picture, tt.name, got, tt.want)
		}
	}
}

// A grid has so few edges that the places of its rows do not balance at nothing:
// wherever its sampled columns begin, its fields lie together.
func TestFieldsOfAGrid(t *testing.T) {
	_, p := shown(t, pattern.Mode{Width: 640, Height: 480, Format: pattern.RGB565}, "grid")
	for from := range 8 {
		g := gridOf(p.Clone())
		g.X0, g.Y0 = from, from/2
		if got := kindsOf(ExamineRows(p, g, Way{1280, 1, 1})); len(got) > 0 {
			t.Errorf("from %d: %v", from, got)
		}
	}
}

// Pictures whose rows are mostly alike tell by their edges, and a picture that lies
// a row lower is none with its rows exchanged.
func TestRowsOfPlainPictures(t *testing.T) {
	for _, name := range []string{"grid", "ramp", "solid-red", "text"} {
		_, p := shown(t, pattern.Mode{Width: 320, Height: 240, Format: pattern.RGB565}, name)
		for want, row := range map[Kind]func(y int) int{
			"":          func(y int) int { return y },
			SwappedRows: func(y int) int { return y ^ 1 },
			DoubledRows: func(y int) int { return y &^ 1 },
		} {
			c := noisy(overRows(p, func(y int) (int, int) { return row(y), 0 }), 4)
			got := kindsOf(Examine(p, gridOf(c), Way{640, 1, 1}))
			if want == "" && len(got) > 0 || want != "" && !slices.Equal(got, []Kind{want}) {
				t.Errorf("%s: %v, want %q", name, got, want)
			}
		}
		c := overRows(p, func(y int) (int, int) { return max(0, y-1), 0 })
		if got := kindsOf(Examine(p, gridOf(c), Way{640, 1, 1})); len(got) > 0 {
			t.Errorf("%s a row lower: %v", name, got)
		}
	}
}

// Where rows are a power of two of bytes long, one field shown twice and an address
// line that is stuck are the same pixels: both are named.
func TestDoubledRowsMayBeTheCard(t *testing.T) {
	f, wanted := shown(t, pattern.Mode{Width: 512, Height: 240, Format: pattern.RGB565}, "random-1")
	org := memory.Organisation{Words: 1 << 20, ChipBits: 16, BusBits: 64, Banks: []memory.Bank{bank(4)}}
	line := simulate.Fault{Kind: memory.AddressLine, Chip: -1, AddressLine: 7} // 128 words of 8 bytes
	p, err := simulate.Card(f, org, 0, []simulate.Fault{line}, 1)
	if err != nil {
		t.Fatal(err)
	}
	got := Examine(wanted, gridOf(p), Way{f.Mode.LineBytes(), 1, 1})
	if len(got) != 1 || got[0].Kind != DoubledRows || got[0].Rival.IsZero() {
		t.Errorf("%+v", got)
	}
	if got := Examine(wanted, gridOf(p), Way{1000, 1, 1}); len(got) != 1 || !got[0].Rival.IsZero() {
		t.Errorf("rows of 1000 bytes: %+v", got)
	}
}

func bank(n int) memory.Bank { return memory.Bank{Designators: make([]string, n)} }

// No fault of a card is taken for a chain: every kind that can be simulated, on
// buses from 16 bits, where a bit of the pixel is one line, to 128 bits, in every
// pixel format, alone and with noise.
func TestFaultsAreNoChains(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	orgs := []memory.Organisation{
		{Words: 1 << 20, ChipBits: 8, BusBits: 16, Banks: []memory.Bank{bank(2)}},
		{Words: 1 << 20, ChipBits: 16, BusBits: 16, Banks: []memory.Bank{bank(1)}},
		{Words: 1 << 20, ChipBits: 32, BusBits: 32, Banks: []memory.Bank{bank(1)}},
		{Words: 1 << 20, ChipBits: 16, BusBits: 64, Banks: []memory.Bank{bank(4)}},
		{Words: 1 << 20, ChipBits: 32, BusBits: 128, Banks: []memory.Bank{bank(4)}},
	}
	rounds := 1
	if os.Getenv("PROVEOUT_ALL_CHECKS") == "1" {
		rounds = 6
	}
	if testing.Short() {
		rounds = 0
	}
	for range rounds {
		for _, format := range pattern.Formats() {
			f, wanted := shown(t, pattern.Mode{Width: 336, Height: 240, Format: format}, "random-1")
			for _, org := range orgs {
				for _, name := range simulate.Kinds() {
					kind := memory.Kind(name)
					if rounds == 1 && rng.IntN(3) > 0 {
						continue
					}
					ft := simulate.Fault{
						Kind: kind, Chip: rng.IntN(org.ChipsPerBank()), Rate: 0.02, Wired: simulate.Wired(rng.IntN(2)),
						Amount: rng.IntN(2), Channel: rng.IntN(3), AddressLine: rng.IntN(9), Line: rng.IntN(org.ChipBits),
						Bit: 7 - rng.IntN(2), Period: 8,
					}
					ft.Line2 = (ft.Line + 1 + rng.IntN(org.ChipBits-1)) % org.ChipBits
					switch kind {
					case simulate.Frozen, simulate.Black:
						continue
					case simulate.Displaced, simulate.Geometry, simulate.Stripe, simulate.Sampling:
						ft.Amount = 20
					case memory.AddressLine:
						ft.Chip = -1
					}
					p, err := simulate.Card(f, org, 0, []simulate.Fault{ft}, rng.Uint64())
					if err != nil {
						t.Fatal(err)
					}
					if rng.IntN(2) == 0 {
						p = noisy(p, 4)
					}
					if got := Examine(wanted, gridOf(p), Way{f.Mode.LineBytes(), 1, 1}); len(got) > 0 {
						t.Errorf("%v, bus of %d bits, chips of %d, %+v: %v", format, org.BusBits, org.ChipBits, ft, kindsOf(got))
					}
				}
			}
		}
	}
}
