package page

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"

	"github.com/go-echarts/go-echarts/v2/charts"
	"github.com/go-echarts/go-echarts/v2/opts"

	"proveout/report/chart"
	"proveout/scoring/outcome"
)

// row are values of a series as JSON has them.
func row(vs ...float64) []any {
	out := make([]any, len(vs))
	for i, v := range vs {
		out[i] = short(v)
	}
	return out
}

// short is a number with seven significant digits, more than a screen can show;
// nil, which JSON writes as null, for what is not finite.
func short(v float64) any {
	if !finite(v) {
		return nil
	}
	v, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 7, 64), 64)
	if err != nil {
		return nil
	}
	return v
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// carrier is the series that holds limits and bands, so that hiding a curve
// does not hide them.
const carrier = "\u200b"

// options returns the chart library's options of a prepared figure as JSON that
// is safe inside a script element: every < is written \u003c. Functions and
// the colours of text and lines are added by the page's own script, which
// knows whether the page is light or dark.
func options(f *outcome.FigureIn[string]) ([]byte, error) {
	line := charts.NewLine()
	x, y := chart.Ranges(f)
	xAxis := opts.XAxis{
		Type: "value", Name: chart.AxisName(f.X), NameLocation: "middle", NameGap: 26,
		Min: short(x.Min), Max: short(x.Max),
	}
	yAxis := opts.YAxis{
		Type: "value", Name: chart.AxisName(f.Y), NameLocation: "end",
		Min: short(y.Min), Max: short(y.Max),
	}
	if len(f.Y.Categories) > 0 {
		yAxis.Type, yAxis.Min, yAxis.Max, yAxis.Data = "category", nil, nil, f.Y.Categories
	}
	line.SetGlobalOptions(
		charts.WithAnimation(false),
		charts.WithXAxisOpts(xAxis),
		charts.WithYAxisOpts(yAxis),
		charts.WithTooltipOpts(opts.Tooltip{Show: opts.Bool(true), Trigger: trigger(f)}),
		charts.WithLegendOpts(opts.Legend{Show: opts.Bool(true), Type: "scroll", Bottom: "0", Left: "0"}),
		charts.WithGridOpts(opts.Grid{Left: "8", Right: "16", Top: "34", Bottom: "92", ContainLabel: opts.Bool(true)}),
		charts.WithDataZoomOpts(
			opts.DataZoom{Type: "inside", XAxisIndex: 0},
			opts.DataZoom{Type: "slider", XAxisIndex: 0},
		),
	)
	line.MultiSeries = append(line.MultiSeries, carried(f))
	for i, b := range f.Bands {
		if b.Curve != nil {
			line.MultiSeries = append(line.MultiSeries, curveBand(i, &b))
		}
	}
	for i := range f.Series {
		line.MultiSeries = append(line.MultiSeries, series(f, i))
	}
	return json.Marshal(line.JSON())
}

// trigger shows all curves at one place of the axis, or single points.
func trigger(f *outcome.FigureIn[string]) string {
	for _, s := range f.Series {
		if s.Style == outcome.Points {
			return "item"
		}
	}
	return "axis"
}

func colour(c chart.RGB) string { return fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B) }

// carried is the carrier of straight limits and bands and of the marks.
func carried(f *outcome.FigureIn[string]) charts.SingleSeries {
	s := charts.SingleSeries{Name: carrier, Type: "line", Data: []any{}}
	axis := func(vertical bool) string {
		if vertical {
			return "xAxis"
		}
		return "yAxis"
	}
	var lines, areas, marks []any
	for _, l := range f.Limits {
		lines = append(lines, map[string]any{"name": l.Name, axis(l.Vertical): l.At})
	}
	for _, b := range f.Bands {
		if at := axis(b.Vertical); b.Curve == nil {
			areas = append(areas, []map[string]any{
				{"name": b.Name, at: finiteOr(b.Low, "min")}, {at: finiteOr(b.High, "max")},
			})
		}
	}
	for _, m := range f.Marks {
		if finite(m.X) && finite(m.Y) {
			marks = append(marks, map[string]any{"name": m.Label, "coord": []float64{m.X, m.Y}})
		}
	}
	label := func(position string) *opts.Label {
		return &opts.Label{Show: opts.Bool(true), Position: position, Formatter: "{b}"}
	}
	if len(lines) > 0 {
		bold := label("insideEndTop")
		bold.Color, bold.FontWeight = colour(chart.LimitColour), "bold"
		s.MarkLines = &opts.MarkLines{Data: lines, MarkLineStyle: opts.MarkLineStyle{
			Symbol:    []string{"none", "none"},
			LineStyle: &opts.LineStyle{Color: colour(chart.LimitColour), Type: "dashed", Width: 1.5},
			Label:     bold,
		}}
	}
	if len(areas) > 0 {
		s.MarkAreas = &opts.MarkAreas{Data: areas, MarkAreaStyle: opts.MarkAreaStyle{
			ItemStyle: &opts.ItemStyle{Color: "rgba(86,180,233,0.22)"},
			Label:     label("insideBottom"),
		}}
	}
	if len(marks) > 0 {
		s.MarkPoints = &opts.MarkPoints{Data: marks, MarkPointStyle: opts.MarkPointStyle{
			Symbol: []string{"triangle"}, SymbolSize: 9, SymbolRotate: 180,
			Label: label("top"),
		}}
	}
	return s
}

func finiteOr(v float64, word string) any {
	if finite(v) {
		return v
	}
	return word
}

// series is one series of the figure.
func series(f *outcome.FigureIn[string], i int) charts.SingleSeries {
	s := &f.Series[i]
	col := colour(chart.SeriesColour(i, len(f.Limits) > 0))
	out := charts.SingleSeries{Name: s.Name, Color: col}
	data := make([][]any, len(s.X))
	for k := range s.X {
		data[k] = row(s.X[k], s.Y[k])
	}
	out.Data = data
	switch s.Style {
	case outcome.Points:
		out.Type = "scatter"
		out.Symbol = [...]string{"circle", "diamond", "triangle", "rect"}[i%4]
		out.SymbolSize = 11
	case outcome.Bars:
		out.Type = "bar"
		out.BarMaxWidth = "40"
	default:
		out.Type, out.ShowSymbol, out.Symbol = "line", opts.Bool(len(s.X) == 1), "circle"
		out.LineStyle = &opts.LineStyle{Width: 1.6, Type: dash(s.Style, i), Color: col}
	}
	return out
}

func dash(s outcome.Style, i int) string {
	if s == outcome.Dashed {
		return "dashed"
	}
	return [...]string{"solid", "dashed", "dotted"}[i%3]
}

// curveBand is drawn by a function of the page's script, which is called by
// name.
func curveBand(i int, b *outcome.Band[string]) charts.SingleSeries {
	c := b.Curve
	n := min(len(c.X), len(c.Low), len(c.High))
	data := make([][]any, 0, max(0, n-1))
	for k := 1; k < n; k++ {
		data = append(data, row(c.X[k-1], c.Low[k-1], c.High[k-1], c.X[k], c.Low[k], c.High[k]))
	}
	shade := [...]string{"rgba(86,180,233,0.28)", "rgba(136,136,136,0.28)", "rgba(230,159,0,0.25)"}[i%3]
	return charts.SingleSeries{Name: b.Name, Type: "custom", RenderItem: "band", Color: shade, Data: data}
}
