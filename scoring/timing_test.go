package scoring_test

import (
	"strings"
	"testing"

	"proveout/scoring/conformity"
)

const timingPlan = `
id = "p"
title = "P"
[[step]]
id = "timing"
kind = "timing"
title = "Timing"
modes = ["800x600x16@75"]
`

// fineCounter makes the bench's counter one that reads line rates.
var fineCounter = strings.Replace(shopText, `accuracy = "±0.1 MHz"`, `accuracy = "±20 ppm"`, 1)

// TestTimingStep: 800x600 at 75 Hz has 49.500 MHz, 1056 pixels a line and 625
// lines: 46.875 kHz and 75.000 Hz (VESA DMT, ID 0Bh).
func TestTimingStep(t *testing.T) {
	for _, tt := range []struct {
		name, shop, line, frame string
		want                    conformity.Verdict
		reason                  string
	}{
		{"exact", fineCounter, "46.875 kHz", "75.000 Hz", conformity.Pass, "agrees with 800x600 at 75 Hz"},
		{"a monitor's menu", shopText, "46.9 kHz", "75 Hz", conformity.Pass, "agrees"},
		{"clock a little off", fineCounter, "46.922 kHz", "75.075 Hz", conformity.Pass, "inside the ±0.5 %"},
		{"clock off", fineCounter, "47.578 kHz", "76.125 Hz", conformity.Fail, "the pixel clock is off"},
		{"clock off, no instrument", shopText, "47.578 kHz", "76.125 Hz", conformity.Inconclusive, "decides nothing"},
		{"60 Hz in place of 75", fineCounter, "37.879 kHz", "60.317 Hz", conformity.Fail, "It is 800x600 at 60 Hz"},
		{"another size", fineCounter, "48.363 kHz", "60.004 Hz", conformity.Fail, "It is 1024x768 at 60 Hz"},
		{"no mode", fineCounter, "20.000 kHz", "200.00 Hz", conformity.Fail, "is not this mode"},
	} {
		b := newBenchOf(t, timingPlan, familyText, tt.shop)
		b.attempt("timing", "800x600x16@75.line="+tt.line, "800x600x16@75.frame="+tt.frame)
		s := b.step("timing")
		if s.Verdict != tt.want || !strings.Contains(said(s.Reason), tt.reason) {
			t.Errorf("%s: %v, %s", tt.name, s.Verdict, said(s.Reason))
		}
		if tt.want == conformity.Fail && len(s.Causes) == 0 {
			t.Errorf("%s: no cause is named", tt.name)
		}
	}
	b := newBenchOf(t, timingPlan, familyText, shopText)
	b.attempt("timing", "800x600x16@75.line=46.9 kHz")
	if s := b.step("timing"); s.Verdict != conformity.NotRun {
		t.Errorf("half a reading: %v, %s", s.Verdict, said(s.Reason))
	}
}
