// Package recordtest holds records of invented units, for tests.
package recordtest

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"math"
	"strings"
	"time"

	"fullthrow/reports"
)

// T0 is when the runs begin.
var T0 = time.Date(2026, 11, 25, 9, 42, 57, 123e6, time.UTC)

// Sample is a serial number of the invented product, with its check character.
const Sample = "K824A00017M"

// Start is the start of a run of an invented unit.
func Start(run string) reports.Start {
	return reports.Start{
		Run: run, Station: "LQ-1", Nest: "A", Operator: "M. Oduya", Attempt: 1, Software: "test", Simulated: true,
		Unit:    reports.Unit{SerialNumber: "K824A00017X", Product: "kittiwake-k8", Revision: "C", Lot: "24A"},
		Sources: []reports.Source{{Name: "plan.lua", SHA256: strings.Repeat("ab", 32)}},
	}
}

// Events are what follows the start of a run with one check that passes.
func Events(outcome reports.Outcome) []reports.Event {
	at := func(s int) time.Time { return T0.Add(time.Duration(s) * time.Second) }
	v := reports.Pass
	if outcome == reports.Failed {
		v = reports.Fail
	}
	x := map[reports.Verdict]float64{reports.Pass: 9.1e-6, reports.Fail: 15.3e-6}[v]
	return []reports.Event{
		{Time: at(1), Kind: reports.BenchReady, Text: "supply, meter, fixture board"},
		{Time: at(2), Kind: reports.CheckStarted, Check: &reports.Check{Name: "standby",
			About: "Draws next to nothing when switched off", Part: "power"}},
		{Time: at(3), Kind: reports.ReadingTaken, Reading: &reports.Reading{
			Check: "standby", Name: "current", Value: reports.Number(x), Unit: "A", Uncertainty: 2e-7, Verdict: v,
			Limit: &reports.Limit{Lower: new(1e-6), Upper: new(12e-6), Rule: "simple", Why: "two years on the shelf"}}},
		{Time: at(4), Kind: reports.NoteMade, Text: "a note"},
		{Time: at(5), Kind: reports.CheckEnded, Check: &reports.Check{Name: "standby"}},
		{Time: at(6), Kind: reports.MadeSafe},
		{Time: at(7), Kind: reports.RunEnded, End: &reports.End{Outcome: outcome}},
	}
}

// Full is what follows the start of a run of ten checks, invented, with
// everything a report can hold. outcome Failed: the unit draws too much when
// switched off and one stick is slack. Errored: the meter falls silent.
func Full(outcome reports.Outcome) []reports.Event {
	at := T0
	tick := func(s float64) time.Time { at = at.Add(time.Duration(s * 1e9)); return at }
	var events []reports.Event
	add := func(s float64, e reports.Event) { e.Time = tick(s); events = append(events, e) }
	two := func(lower, upper float64) *reports.Limit {
		return &reports.Limit{Lower: &lower, Upper: &upper, Rule: "simple"}
	}
	most := func(upper float64) *reports.Limit { return &reports.Limit{Upper: &upper, Rule: "simple"} }
	least := func(lower float64) *reports.Limit { return &reports.Limit{Lower: &lower, Rule: "simple"} }
	check := func(name, about, part string, seconds float64, readings ...reports.Reading) {
		add(0.2, reports.Event{Kind: reports.CheckStarted, Check: &reports.Check{Name: name, About: about, Part: part}})
		for i, rd := range readings {
			rd.Check = name
			if rd.Verdict == "" {
				rd.Verdict = reports.Pass
				if rd.Limit == nil {
					rd.Verdict = reports.Unlimited
				}
			}
			add(seconds/float64(len(readings)), reports.Event{Kind: reports.ReadingTaken, Reading: &rd})
			_ = i
		}
		if name == "tune" {
			add(0, reports.Event{Kind: reports.NoteMade, Text: "quiet room: background 31 dB below the tune"})
		}
	}
	finish := func(name string) {
		add(0.05, reports.Event{Kind: reports.CheckEnded, Check: &reports.Check{Name: name}})
	}
	add(0.4, reports.Event{Kind: reports.BenchReady, Text: "supply, meter, fixture board, receiver, four stick " +
		"axes; all answer, guard closed"})

	off := reports.Reading{Name: "current", Value: reports.Number(9.1e-6), Unit: "A", Uncertainty: 4e-7,
		Limit: &reports.Limit{Lower: new(1e-6), Upper: new(12e-6), Rule: "guarded", Guard: 6e-7,
			Why: "a good unit draws some 9 µA; at 12 µA the cell still lasts two years on the shelf"}}
	if outcome == reports.Failed {
		off.Value, off.Verdict = reports.Number(15.3e-6), reports.Fail
		off.Cause = "leakage: residue under the power switch, a damaged protection diode, or a capacitor fitted the " +
			"wrong way round"
		off.Inspect = "the input around the power switch, under a lens; then lift the input capacitor"
	}
	check("standby", "Draws next to nothing when switched off", "power", 2.3, off)
	var x, y, low []float64
	for i := range 200 {
		t := float64(i) / 100
		x, y, low = append(x, t), append(y, 9.1e-6+1.1e-6*math.Sin(9*t)+3e-7*math.Sin(71*t)+2e-5*math.Exp(-6*t)),
			append(low, 7.9e-6+1e-6*math.Sin(9*t)+1.8e-5*math.Exp(-6*t))
	}
	add(0.01, reports.Event{Kind: reports.CaptureKept, Capture: &reports.Capture{Check: "standby", Name: "off_current",
		Media: "text/csv",
		Plot: &reports.Plot{Title: "Current, switched off", XLabel: "time / s", YLabel: "current / A",
			Series: []reports.Series{{X: x, Y: y, Low: low}}}}})
	add(0.01, reports.Event{Kind: reports.CaptureKept, Capture: &reports.Capture{Check: "standby", Name: "lamp",
		Media: "image/png", Pictures: []reports.Picture{
			{Role: reports.SeenPicture, Name: "camera", Width: 640, Height: 400, Media: "image/png", Data: lamp(60)},
			{Role: reports.ReferencePicture, Name: "lamp.png", Width: 640, Height: 400, Media: "image/png", Data: lamp(20)},
		}}})
	finish("standby")
	check("inrush", "Does not overload its cell when switched on", "power", 0.4,
		reports.Reading{Name: "peak", Value: reports.Number(0.612), Unit: "A", Limit: two(0.2, 1.1)},
		reports.Reading{Name: "charge", Value: reports.Number(2.4e-3), Unit: "C", Limit: most(6e-3)})
	finish("inrush")
	check("tune", "Plays its four notes in tune and time", "sounder", 1.6,
		reports.Reading{Name: "pitch_error", Value: reports.Number(3.1), Unit: "cent", Limit: two(-25, 25)},
		reports.Reading{Name: "level", Value: reports.Number(-18.4), Unit: "dB", Limit: least(-24)},
		reports.Reading{Name: "distortion", Value: reports.Number(2.7), Unit: "%", Limit: most(8)},
		reports.Reading{Name: "notes", Value: reports.Number(4), Unit: "1",
			Limit: &reports.Limit{Equal: new(reports.Number(4))}})
	finish("tune")
	check("running", "Draws what it should while it runs", "power", 1.2, reports.Reading{Name: "current",
		Value: reports.Number(0.1182), Unit: "A", Uncertainty: 0.0008, Limit: two(0.095, 0.14)})
	finish("running")
	add(0.1, reports.Event{Kind: reports.PromptAsked, Prompt: &reports.Prompt{ID: "1",
		Text: "Does the lamp above the left stick glow evenly?", Kind: "confirm"}})
	add(2.1, reports.Event{Kind: reports.PromptDone, Prompt: &reports.Prompt{ID: "1",
		Text: "Does the lamp above the left stick glow evenly?", Kind: "confirm", Answer: new(reports.Bool(true)),
		By: "M. Oduya"}})
	if outcome == reports.Errored {
		check("sticks", "Both sticks come back to one centre", "left-stick", 3.1, reports.Reading{Name: "left_x_play",
			Unit: "%", Verdict: reports.Error, Problem: &reports.Reason{Code: reports.NoValue}})
		add(1, reports.Event{Kind: reports.BenchFault, Fault: &reports.Fault{Check: "sticks",
			Reason: reports.Reason{Code: reports.DeviceFailed,
				Device: "receiver", Verb: "listen", Kind: "no reply", Text: "no frame in 1 s",
				Hint: "look whether the receiver's lamp is lit and its USB plug sits tight"}}})
		add(0.1, reports.Event{Kind: reports.CheckEnded, Check: &reports.Check{Name: "sticks",
			Problem: &reports.Reason{Code: reports.DeviceFailed,
				Device: "receiver", Verb: "listen", Kind: "no reply", Text: "no frame in 1 s", File: "plan.lua",
				Line: 88}}})
	} else {
		play := reports.Reading{Name: "left_x_play", Value: reports.Number(0.8), Unit: "%", Limit: most(2.5)}
		if outcome == reports.Failed {
			play.Value, play.Verdict, play.Cause, play.Inspect = reports.Number(9.7), reports.Fail,
				"worn or loose coupling between gimbal shaft and potentiometer",
				"the grub screw of the left gimbal's horizontal shaft"
		}
		check("sticks", "Both sticks come back to one centre and follow the hand", "left-stick", 8.6, play,
			reports.Reading{Name: "left_y_play", Value: reports.Number(0.6), Unit: "%", Limit: most(2.5)},
			reports.Reading{Name: "right_x_noise", Value: reports.Number(0.05), Bound: "less", Unit: "%",
				Limit: most(0.4)},
			reports.Reading{Name: "return_spread", Value: reports.Number(0.31), Unit: "%", Limit: most(1)},
			reports.Reading{Name: "shape", Value: reports.Text("linear"), Unit: "",
				Limit: &reports.Limit{OneOf: []reports.Value{reports.Text("linear"), reports.Text("soft")}}})
		var sx, up, down []float64
		for i := range 120 {
			p := -1 + 2*float64(i)/119
			sx, up, down = append(sx, p), append(up, 1500+500*p+4*math.Sin(8*p)),
				append(down, 1500+500*p-22+3*math.Sin(8*p))
		}
		add(0, reports.Event{Kind: reports.CaptureKept, Capture: &reports.Capture{Check: "sticks", Name: "left_x",
			Media: "text/csv", SHA256: strings.Repeat("3f", 32), Size: 48211,
			Plot: &reports.Plot{Title: "Left stick, there and back", XLabel: "position / 1", YLabel: "channel 1 / us",
				Series: []reports.Series{{Name: "towards right", X: sx, Y: up}, {Name: "towards left", X: sx,
					Y: down}}}}})
		finish("sticks")
		check("link", "Is heard as well as it should be", "antenna", 4, reports.Reading{Name: "margin",
			Value: reports.Number(22.5), Unit: "dB", Limit: least(15)},
			reports.Reading{Name: "lost_frames", Value: reports.Number(0.02), Unit: "%", Limit: most(0.5)},
			reports.Reading{Name: "power", Value: reports.Number(-41.7), Unit: "dBm"})
		finish("link")
		check("latency", "Passes a movement on without delay", "antenna", 3, reports.Reading{Name: "mean",
			Value: reports.Number(0.0135), Unit: "s", Limit: most(0.02)}, reports.Reading{Name: "worst",
			Value: reports.Number(0.0192), Unit: "s", Limit: most(0.03)})
		finish("latency")
		check("restart", "Starts again soon after being switched off", "power", 6.5, reports.Reading{Name: "off_time",
			Value: reports.Number(2.42), Unit: "s", Limit: most(3.5)}, reports.Reading{Name: "starts",
			Value: reports.Bool(true), Limit: &reports.Limit{Equal: new(reports.Bool(true))}})
		finish("restart")
	}
	add(0.6, reports.Event{Kind: reports.MadeSafe})
	add(0.1, reports.Event{Kind: reports.RunEnded, End: &reports.End{Outcome: outcome}})
	return events
}

func Numbered(start reports.Start, events ...reports.Event) []reports.Event {
	all := append([]reports.Event{{Time: T0, Kind: reports.RunStarted, Start: &start}}, events...)
	for i := range all {
		all[i].Seq = int64(i + 1)
		if all[i].Time.IsZero() {
			all[i].Time = T0
		}
	}
	return all
}

// lamp is a small picture of a lamp, so far from the left.
func lamp(at int) []byte {
	m := image.NewRGBA(image.Rect(0, 0, 160, 100))
	for y := range 100 {
		for x := range 160 {
			c := color.RGBA{40, 40, 44, 255}
			if math.Hypot(float64(x-80-at/2), float64(y-50)) < 20 {
				c = color.RGBA{60, 190, 90, 255}
			}
			m.Set(x, y, c)
		}
	}
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		panic(err)
	}
	return b.Bytes()
}
