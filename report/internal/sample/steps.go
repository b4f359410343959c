package sample

import (
	"proveout/scoring"
	"proveout/scoring/conformity"
	"proveout/scoring/figure"
)

func limits(low, high *scoring.Number, text string) *scoring.Limits {
	return &scoring.Limits{Low: low, High: high, Text: text}
}

func steps() []scoring.StepOutcome {
	pass := conformity.Pass
	word := func(name, title, text, want string) scoring.Check {
		return scoring.Check{Name: name, Title: title, Text: text, Limits: limits(nil, nil, want), Verdict: pass, Reason: "As required."}
	}
	step := func(id, kind, title, reason string, checks ...scoring.Check) scoring.StepOutcome {
		return scoring.StepOutcome{ID: id, Kind: kind, Title: title, Verdict: pass, Required: true, Attempts: 1, Reason: reason, Checks: checks}
	}
	look := step("look", "inspection", "Workmanship before power", "Nothing on the checklist was found.",
		word("bridges", "No solder bridge between pins", "yes", "yes"), word("lifted", "No lifted pin or pad", "yes", "yes"),
		word("residue", "No loose solder or residue", "yes", "yes"), word("heatsink", "Heatsink seated, compound spread", "yes", "yes"))
	look.Gate = true
	rails := step("rails", "rails", "Supply rails", "Both rails are free of shorts and inside their limits.",
		volt("3v3", "3V3, voltage", 3.312, 0.0042, 3.0, 3.6, "3.0 V to 3.6 V"), volt("vcore", "core, voltage", 2.496, 0.0038, 2.375, 2.625, "2.375 V to 2.625 V"))
	rails.Gate = true
	detect := step("detect", "detection", "Detection on the bus", "Found with the expected identity and rate.",
		word("id", "Vendor and device", "fff3:0163", "fff3:0163"), word("rate", "Link rate", "2x", "2x"))
	memory := step("memory", "memory-size", "Memory size", "All memory is there.",
		scoring.Check{Name: "size", Title: "Memory found", Value: num(16), Unit: "MiB", Text: "16 MiB", Limits: limits(num(16), num(16), "16 MiB"), Verdict: pass, Reason: "16 MiB of 16 MiB."})
	memory.WhyNeeded = "memory chips replaced"
	clocks := step("clocks", "clock", "Clocks", "Both clocks are inside their limits.",
		clock("core", "Core clock", 143.012, 0.0029, "141.57 MHz to 144.43 MHz", 141.57, 144.43), clock("memory", "Memory clock", 166.004, 0.0034, "164.34 MHz to 167.66 MHz", 164.34, 167.66))
	image := step("image", "image", "2D picture", "Every pattern came back without a wrong pixel.",
		scoring.Check{Name: "pixels", Title: "Wrong pixels at 1024×768×16", Text: "0 of 786 432", Limits: limits(nil, num(0), "none"), Verdict: pass, Reason: "No pixel differs."},
		word("modes", "Modes shown", "640×480, 800×600, 1024×768", "all of the family"))
	load := loadStep(step)
	soakStep := soakStep(step)
	timing := step("timing", "timing", "Line and frame rate at the connector", "Not part of this job.")
	timing.Verdict, timing.Required, timing.Attempts = conformity.NotRun, false, 0
	return []scoring.StepOutcome{look, rails, detect, memory, clocks, image, load, soakStep, timing}
}

func volt(name, title string, v, u, lo, hi float64, text string) scoring.Check {
	return scoring.Check{Name: name, Title: title, Value: num(v), U: num(u), Unit: "V", Limits: limits(num(lo), num(hi), text), Rule: "guarded",
		Verdict: conformity.Pass, Probability: num(1), Reason: "The whole interval is inside.", Source: "AGP V3.0 interface specification, table of supply tolerances (from memory)",
		Budget: []scoring.Contribution{{Name: "instrument, ±0.05 % + 2 mV", HalfWidth: scoring.Number(u * 0.86), Distribution: "rectangular", Standard: scoring.Number(u * 0.497)}, {Name: "display, 1 mV", HalfWidth: 0.0005, Distribution: "rectangular", Standard: 0.00029}}}
}

func clock(name, title string, v, u float64, text string, lo, hi float64) scoring.Check {
	return scoring.Check{Name: name, Title: title, Value: num(v), U: num(u), Unit: "MHz", Limits: limits(num(lo), num(hi), text), Rule: "guarded",
		Verdict: conformity.Pass, Probability: num(1), Reason: "The whole interval is inside.", Source: "family sheet",
		Budget: []scoring.Contribution{{Name: "counter, ±20 ppm at k = 2", HalfWidth: scoring.Number(u), Distribution: "normal", Standard: scoring.Number(u / 2)}}}
}

func loadStep(step func(id, kind, title, reason string, checks ...scoring.Check) scoring.StepOutcome) scoring.StepOutcome {
	pass := conformity.Pass
	s := step("load", "load", "Timed 3D load", "It ran the full time without a freeze and scored like good cards of its family.",
		scoring.Check{Name: "duration", Title: "Time run", Value: num(30), Unit: "min", Text: "30 min", Limits: limits(num(30), nil, "at least 30 min"), Verdict: pass, Reason: "Reached."},
		scoring.Check{Name: "fps", Title: "Mean frame rate", Value: num(47.31), U: num(0.3), Unit: "fps", Limits: limits(num(45.5), nil, "at least 45.5 fps"), Verdict: pass, Probability: num(0.99999), Reason: "Inside.",
			Budget: []scoring.Contribution{{Name: "scatter of 5 runs", HalfWidth: 0, Distribution: "normal", Standard: 0.15}}},
		scoring.Check{Name: "stalls", Title: "Stalls", Text: "2", Value: num(2), Limits: limits(nil, num(3), "at most 3"), Verdict: pass, Reason: "Two stalls."},
		scoring.Check{Name: "p99", Title: "99th percentile of frame time", Text: "25.8 ms", Value: num(25.8), Unit: "ms", Verdict: pass, Informative: true, Reason: "Shown for comparison."},
		scoring.Check{Name: "reference", Title: "Score against the reference set", Value: num(47.31), U: num(0.3), Unit: "fps", Limits: limits(num(44.5), num(50.1), "44.5 fps to 50.1 fps"), Verdict: pass, Probability: num(0.982), Reason: "Inside the prediction interval of 7 known-good cards."})
	s.Figures = []figure.Figure{frames(87_412), reference(), histogram(), runs()}
	s.Conditions = []scoring.Condition{{Name: "workload", Text: "arcade hall, 1024×768×16, 5 runs"}, {Name: "ambient", Text: "23.9 °C ± 0.5 °C"}}
	s.Findings = []string{"The core clock did not drop during the load."}
	return s
}

func soakStep(step func(id, kind, title, reason string, checks ...scoring.Check) scoring.StepOutcome) scoring.StepOutcome {
	pass := conformity.Pass
	s := step("soak", "soak", "Thermal soak", "The heatsink stayed below its limit and was level at the end.",
		scoring.Check{Name: "duration", Title: "Time run", Value: num(40), Unit: "min", Text: "40 min", Limits: limits(num(40), nil, "at least 40 min"), Verdict: pass, Reason: "Reached."},
		scoring.Check{Name: "peak", Title: "Highest temperature at the heatsink", Value: num(70.93), U: num(1.74), Unit: "°C", Limits: limits(nil, num(85), "at most 85 °C"), Rule: "guarded", Verdict: pass, Probability: num(1), Reason: "Inside.", Source: "family sheet",
			Budget: []scoring.Contribution{{Name: "thermometer, ±1.5 °C", HalfWidth: 1.5, Distribution: "rectangular", Standard: 0.866}, {Name: "display, 0.1 °C", HalfWidth: 0.05, Distribution: "rectangular", Standard: 0.0289}, {Name: "scatter at the top", HalfWidth: 0, Distribution: "normal", Standard: 0.06}}},
		scoring.Check{Name: "stable", Title: "Change over the last 10 min", Value: num(0.31), U: num(0.08), Unit: "K", Limits: limits(nil, num(1), "at most 1 K"), Verdict: pass, Probability: num(1), Reason: "Level."},
		scoring.Check{Name: "rated", Title: "Predicted at rated ambient 40 °C", Value: num(86.7), U: num(2.1), Unit: "°C", Limits: limits(nil, num(95), "at most 95 °C"), Verdict: pass, Probability: num(0.9996), Reason: "Inside."})
	s.Attempts, s.Earlier = 2, []scoring.Verdict{conformity.NotRun}
	s.Conditions = []scoring.Condition{{Name: "ambient", Text: "23.8 °C ± 0.5 °C"}, {Name: "sensor", Text: "type K at the heatsink"}, {Name: "case", Text: "closed"}}
	s.Warnings = []string{"soak-2.csv:812: a gap of 14 s; the peak may be missed by at most 0.1 K"}
	s.Figures = []figure.Figure{soak(1200)}
	return s
}
