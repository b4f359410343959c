package chart

import (
	"image"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"proveout/scoring/outcome"
)

func TestPrepareUnits(t *testing.T) {
	f := outcome.FigureIn[string]{
		X: outcome.Axis[string]{Unit: "s"}, Y: outcome.Axis[string]{Unit: "s"},
		Series: []outcome.Series[string]{{X: []float64{0, 1200, 2400}, Y: []float64{0.02, 0.021, math.NaN()}}},
		Limits: []outcome.LimitLine[string]{{At: 0.05}, {At: 600, Vertical: true}},
		Bands: []outcome.Band[string]{
			{Low: 1200, High: 2400, Vertical: true},
			{Curve: &outcome.Curve{X: []float64{0, 60}, Low: []float64{0.01, 0.02}, High: []float64{0.03, 0.04}}},
		},
		Marks: []outcome.Mark[string]{{X: 1200, Y: 0.021}},
	}
	g := Prepare(f)
	if g.X.Unit != "min" || g.Y.Unit != "ms" {
		t.Fatalf("units %q and %q", g.X.Unit, g.Y.Unit)
	}
	s := g.Series[0]
	near := func(a, b float64) bool { return math.Abs(a-b) < 1e-9 }
	if len(s.X) != 2 || !near(s.X[1], 20) || !near(s.Y[1], 21) {
		t.Errorf("series %+v", s)
	}
	if !near(g.Limits[0].At, 50) || !near(g.Limits[1].At, 10) || !near(g.Bands[0].High, 40) ||
		!near(g.Bands[1].Curve.X[1], 1) || !near(g.Bands[1].Curve.High[1], 40) ||
		!near(g.Marks[0].X, 20) || !near(g.Marks[0].Y, 21) {
		t.Errorf("limits %v bands %v marks %v", g.Limits, g.Bands, g.Marks)
	}
	if f.Limits[0].At != 0.05 || f.Series[0].X[1] != 1200 || f.Bands[1].Curve.X[1] != 60 ||
		f.Marks[0].X != 1200 || f.X.Unit != "s" {
		t.Error("the figure given was changed")
	}
}

// A long series keeps its ends, its highest and its lowest point: a single
// stall among a million frames is still on the page.
func TestThinKeepsExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(maxPoints, 30000).Draw(t, "n")
		hi, lo := rapid.IntRange(0, n-1).Draw(t, "hi"), rapid.IntRange(0, n-1).Draw(t, "lo")
		s := outcome.Series[string]{X: make([]float64, n), Y: make([]float64, n)}
		for i := range s.X {
			s.X[i], s.Y[i] = float64(i), float64(i%7)
		}
		s.Y[lo] = -100
		s.Y[hi] = 100
		got := thin(s)
		if len(got.X) > maxPoints {
			t.Fatalf("%d points", len(got.X))
		}
		low, high := false, false
		for i := range got.X {
			low = low || got.Y[i] == s.Y[lo] && got.X[i] == float64(lo)
			high = high || got.Y[i] == 100 && got.X[i] == float64(hi)
			if i > 0 && got.X[i] <= got.X[i-1] {
				t.Fatal("points out of order")
			}
		}
		if !low || !high || got.X[0] != 0 || got.X[len(got.X)-1] != float64(n-1) {
			t.Fatalf("lost an end or an extreme: low %v, high %v", low, high)
		}
	})
}

func TestTicks(t *testing.T) {
	for _, tt := range []struct {
		lo, hi float64
		n      int
		want   string
	}{
		{0, 100, 6, "0 20 40 60 80 100"},
		{0, 40, 9, "0 5 10 15 20 25 30 35 40"},
		{-1, 1, 5, "-1.0 -0.5 0.0 0.5 1.0"},
		{44.2, 50.4, 9, "45 46 47 48 49 50"},
		{0, 10, 4, "0.0 2.5 5.0 7.5 10.0"},
		{0, 1000, 4, "0 250 500 750 1000"},
		{0.001, 0.0013, 3, "0.0010 0.0011 0.0012 0.0013"},
		{5, 5, 4, ""},
	} {
		var got []string
		for _, k := range linearTicks(tt.lo, tt.hi, tt.n) {
			got = append(got, k.label)
		}
		if s := strings.Join(got, " "); s != tt.want {
			t.Errorf("linearTicks(%g, %g, %d) = %q, want %q", tt.lo, tt.hi, tt.n, s, tt.want)
		}
	}
}

// On any axis the ticks lie inside, in order, and no two read the same.
func TestTicksReadDifferently(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lo := rapid.Float64Range(-1e6, 1e6).Draw(t, "lo")
		span := math.Pow(10, rapid.Float64Range(-3, 6).Draw(t, "log span"))
		ticks := linearTicks(lo, lo+span, rapid.IntRange(3, 10).Draw(t, "n"))
		seen := map[string]bool{}
		for i, k := range ticks {
			if k.at < lo-span*1e-6 || k.at > lo+span*(1+1e-6) || i > 0 && k.at <= ticks[i-1].at {
				t.Fatalf("tick %g outside [%g, %g]", k.at, lo, lo+span)
			}
			if seen[k.label] {
				t.Fatalf("label %q twice in [%g, %g]", k.label, lo, lo+span)
			}
			seen[k.label] = true
		}
		if len(ticks) < 2 {
			t.Fatalf("%d ticks in [%g, %g]", len(ticks), lo, lo+span)
		}
	})
}

// Every figure that can be written down draws without a panic and leaves ink
// on the picture: empty ones, infinite ones, one point.
func TestAnyFigureDraws(t *testing.T) {
	odd := []float64{0, 1, -1, 1e-300, 1e300, math.Inf(1), math.Inf(-1), math.NaN(), 42}
	rapid.Check(t, func(t *rapid.T) {
		val := rapid.OneOf(rapid.SampledFrom(odd), rapid.Float64Range(-100, 100))
		list := rapid.SliceOfN(val, 0, 12)
		axis := func(name string) outcome.Axis[string] {
			return outcome.Axis[string]{
				Name: rapid.String().Draw(t, name),
				Unit: rapid.SampledFrom([]string{"", "s", "°C"}).Draw(t, name+" unit"),
			}
		}
		f := outcome.FigureIn[string]{X: axis("x"), Y: axis("y")}
		f.Y.Categories = rapid.SliceOfN(rapid.String(), 0, 3).Draw(t, "categories")
		styles := rapid.SampledFrom([]outcome.Style{outcome.Line, outcome.Points, outcome.Bars, outcome.Dashed, ""})
		for range rapid.IntRange(0, 3).Draw(t, "series") {
			f.Series = append(f.Series, outcome.Series[string]{
				Name: rapid.String().Draw(t, "name"), Style: styles.Draw(t, "style"),
				X: list.Draw(t, "xs"), Y: list.Draw(t, "ys"),
			})
		}
		f.Limits = []outcome.LimitLine[string]{{
			Name: rapid.String().Draw(t, "limit"), At: val.Draw(t, "at"), Vertical: rapid.Bool().Draw(t, "vertical"),
		}}
		f.Bands = []outcome.Band[string]{
			{Low: val.Draw(t, "lo"), High: val.Draw(t, "hi"), Vertical: rapid.Bool().Draw(t, "upright")},
			{Curve: &outcome.Curve{X: list.Draw(t, "cx"), Low: list.Draw(t, "cl"), High: list.Draw(t, "ch")}},
		}
		f.Marks = []outcome.Mark[string]{{X: val.Draw(t, "mx"), Y: val.Draw(t, "my"), Label: rapid.String().Draw(t, "label")}}
		img := Picture(f, 120, 60, 40, ",")
		if !inked(img) {
			t.Fatal("an empty picture")
		}
	})
}

func inked(img image.Image) bool {
	b := img.Bounds()
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			if r, _, _, _ := img.At(x, y).RGBA(); r < 0xF000 {
				return true
			}
		}
	}
	return false
}

// Okabe and Ito, "Color Universal Design", 2008, figure 16, the eight colours
// (from memory): each colour of a series is one of them.
func TestColoursAreOkabeIto(t *testing.T) {
	set := map[RGB]bool{
		{0xE6, 0x9F, 0x00}: true, {0x56, 0xB4, 0xE9}: true, {0x00, 0x9E, 0x73}: true, {0xF0, 0xE4, 0x42}: true,
		{0x00, 0x72, 0xB2}: true, {0xD5, 0x5E, 0x00}: true, {0xCC, 0x79, 0xA7}: true,
	}
	for _, limits := range []bool{false, true} {
		for i := range 20 {
			c := SeriesColour(i, limits)
			if !set[c] {
				t.Errorf("series %d has %v", i, c)
			}
			if limits && c == LimitColour {
				t.Errorf("series %d has the colour of the limits", i)
			}
			if i%5 > 0 && c == SeriesColour(i-1, limits) {
				t.Errorf("series %d and %d look alike", i-1, i)
			}
		}
	}
}

// A figure on paper and the same figure as a picture stand in the same place:
// the limit line of a plain figure is where its value says.
func TestPictureIsInPlace(t *testing.T) {
	f := outcome.FigureIn[string]{
		Series: []outcome.Series[string]{{Style: outcome.Line, X: []float64{0, 1}, Y: []float64{2, 2}}},
		Limits: []outcome.LimitLine[string]{{At: 8}},
		Bands:  []outcome.Band[string]{{Low: 0, High: 10 / 1.06}}, // with its air, the axis runs from 0 to 10
	}
	img := Picture(f, 200, 100, 144, "")
	column := img.Rect.Dx() / 2
	find := func(c RGB) (first, last int) {
		first = -1
		for x := column; x < column+12; x++ { // a dash may have its gap here
			for y := range img.Rect.Dy() {
				if p := img.RGBAAt(x, y); p.R == c.R && p.G == c.G && p.B == c.B {
					if first < 0 {
						first = y
					}
					last = y
				}
			}
		}
		return first, last
	}
	curve, _ := find(SeriesColour(0, true))
	limit, _ := find(LimitColour)
	// The plot area: from the top of the canvas less one line of names to the
	// bottom less the legend, which is empty, and the tick labels.
	top, bottom := 1.7*7.5*2, 200-2.9*7.5*2
	for name, got := range map[string][2]float64{
		"curve at 2 of 10": {float64(curve), bottom - 0.2*(bottom-top)},
		"limit at 8 of 10": {float64(limit), bottom - 0.8*(bottom-top)},
	} {
		if math.Abs(got[0]-got[1]) > 2.5 {
			t.Errorf("%s: row %g, want %g", name, got[0], got[1])
		}
	}
}

func BenchmarkPicture(b *testing.B) {
	f := outcome.FigureIn[string]{
		Series: []outcome.Series[string]{{Name: "a", Style: outcome.Line}},
		Limits: []outcome.LimitLine[string]{{Name: "limit", At: 0.5}},
	}
	for i := range 100_000 {
		f.Series[0].X = append(f.Series[0].X, float64(i))
		f.Series[0].Y = append(f.Series[0].Y, math.Sin(float64(i)/500))
	}
	for b.Loop() {
		Picture(f, 493, 198, 300, "")
	}
}
