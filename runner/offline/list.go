package offline

import (
	"fullthrow/drivers"
	"fullthrow/reports/statistics"
	"fullthrow/runner/measure"
)

// Measurement is one row: a name, and one or more ways of taking it, told apart
// by how many arguments they take.
type Measurement struct {
	Name    string
	Aliases []string
	About   string
	Ways    []Way
}

// Way is a function of package measure, and what is drawn of it.
type Way struct {
	call any
	// takes names the arguments: files in capitals, numbers as NAME:unit; the
	// last file with ... may be several.
	takes string
	plot  plotter
}

// Answers are values of which some may be missing (NaN).
type Answers []float64

// Pairs are values of two quantities that belong together.
type Pairs struct{ X, Y []float64 }

// List is every measurement, in the order in which help shows them. The names
// are those that plans use.
func List() []Measurement {
	one := func(name, about, takes string, call any, plot plotter, aliases ...string) Measurement {
		return Measurement{name, aliases, about, []Way{{call, takes, plot}}}
	}
	return []Measurement{
		one("tone", "one steady tone: how it sounds, and what else sounds with it", "SOUND", measure.SteadyTone, plotTone, "sound"),
		one("tones", "the strongest tones there are", "SOUND", measure.Tones, plotTones),
		one("tune", "notes against a score", "SOUND", measure.Tune, plotTune),
		one("sine", "the sine that fits best (IEEE Std 1057)", "SAMPLES", measure.Sine, plotSine),
		one("level", "how loud a capture is as a whole, A- and C-weighted", "SOUND", measure.Level, plotLevel),

		one("steady", "a quantity that should stand still", "SAMPLES", measure.Steady, plotSteady, "current"),
		one("inrush", "the current just after switching on", "CURRENT", measure.Inrush, plotInrush),
		one("started", "whether the unit runs, by the current it draws", "CURRENT THRESHOLD:capture", measure.Started, plotStarted),
		one("decay", "leakage under a decay: final value and time constant", "SAMPLES", measure.Decay, plotDecay, "leakage"),
		one("settling", "how a quantity comes to rest", "SAMPLES", measure.Settling, plotSettling),
		one("ripple", "what lies on a steady value", "SAMPLES", measure.Ripple, plotRipple),
		one("charge", "charge and energy of a current over a window", "CURRENT", measure.Charge, plotCharge),
		one("energy", "charge and energy, with the voltage captured beside", "CURRENT VOLTAGE", measure.Energy, nil),
		one("brown-out", "where a unit stops and where it runs again", "STEPS", measure.BrownOut, plotBrownOut),
		one("battery-life", "how long a cell lasts under a duty profile", "DUTY", measure.BatteryLife, nil),
		one("rc-time", "the time an exponential takes between two values", "TAU:s FROM:1 TO:1 TOWARDS:1", measure.RCTime, nil),
		one("rc-level", "where an exponential is after a time", "TAU:s FROM:1 TOWARDS:1 AFTER:s", measure.RCLevel, nil),

		{"travel", nil, "how a channel follows its stick (IEC 61298-2)", []Way{
			{measure.Travel, "FRAMES PATH", plotTravel},
			{measure.TravelPoints, "POINTS", plotTravelPoints},
		}},
		one("dead-band", "the way around the centre on which nothing follows", "FRAMES PATH...", measure.DeadBand, plotDeadBand),
		one("tracking", "lag and play of a stick on the move, parted", "FRAMES PATH...", measure.Tracking, nil),
		one("cross-talk", "what other channels do while one stick moves", "FRAMES PATH", measure.CrossTalk, nil),
		one("centre", "where a stick comes to rest", "RELEASES", measure.Centre, plotCentre),
		one("switch", "a switch in its two positions", "OFF ON", measure.Switch, plotSwitch),

		one("link", "how much of what was sent arrived", "FRAMES", measure.Link, plotLink),
		one("bursts", "whether losses come alone or in bursts", "FRAMES", measure.Bursts, plotBursts),
		one("sweep", "the attenuation at which a link reaches an error rate", "COUNTS", measure.Sweep, plotSweep),
		{"compare", nil, "the losses of a unit against those of the golden unit", []Way{
			{compareFrames, "UNIT GOLDEN", nil},
			{measure.Compare, "LOST:1 SENT:1 GOLDEN-LOST:1 GOLDEN-SENT:1", nil},
		}},
		{"sequential", nil, "whether enough packets were sent to accept or reject a unit", []Way{
			{sequentialFrames, "FRAMES", nil},
			{measure.Sequential, "LOST:1 SENT:1", nil},
		}},
		one("sequential-plan", "a sequential test of the packet error rate", "", measure.SequentialPlan, nil),
		one("distance", "attenuation as distance between antennas", "ATTENUATION:dB", measure.Distance, nil),
		one("attenuation", "distance between antennas as attenuation", "DISTANCE:m", measure.Attenuation, nil),
		one("latency", "the time from a movement to its answer", "TIMES", latency, plotLatency),

		one("restart", "how long a unit must be off before it starts again", "TRIALS", measure.Restart, plotRestart),
		one("start-curve", "the probability of starting against time off", "TRIALS", measure.StartCurve, plotStartCurve),
		one("next-off", "which time off to try next", "TRIALS", measure.NextOff, nil),
		one("success-run", "trials without a failure that show a reliability", "RELIABILITY:1 CONFIDENCE:%", measure.SuccessRun, nil),

		one("summary", "mean, spread and intervals of values", "VALUES", measure.Summary, plotSummary),
		one("percentile", "the value below which a percentage lies", "VALUES PERCENT:%", measure.Percentile, plotPercentile),
		one("histogram", "how often values occur", "VALUES", measure.Histogram, plotHistogram),
		one("line", "the straight line of least squares", "PAIRS", line, plotLine),
		one("one-way", "whether groups of values have one mean", "GROUPS", measure.OneWay, nil),
		one("detection", "how the share detected rises with strength", "STRENGTHS", measure.Detection, plotDetection),
		one("proportion", "a share of events, with its intervals", "EVENTS:1 TRIALS:1", measure.Proportion, nil),
		one("difference", "the interval of the difference of two shares", "EVENTS1:1 TRIALS1:1 EVENTS2:1 TRIALS2:1 CONFIDENCE:%", difference, nil),
		one("poisson", "the interval of an expected count", "COUNT:1 CONFIDENCE:%", poisson, nil),
	}
}

// elsewhere are functions without a row, and why.
var elsewhere = map[string]string{
	"Windows": "it lists windows, and measures nothing",
}

func latency(times Answers) (measure.LatencyResult, error) { return measure.Latency(times) }

func line(p Pairs) (measure.LineResult, error) { return measure.Line(p.X, p.Y) }

func difference(x1, n1, x2, n2 int, percent float64) (measure.Interval, error) {
	c, err := statistics.Confidence(percent)
	low, high := statistics.Newcombe(float64(x1), float64(n1), float64(x2), float64(n2), c)
	return measure.Interval{Low: low, High: high}, err
}

func poisson(count int, percent float64) (measure.Interval, error) {
	c, err := statistics.Confidence(percent)
	low, high := statistics.Poisson(float64(count), c)
	return measure.Interval{Low: low, High: high}, err
}

func compareFrames(unit, golden drivers.Frames, o measure.CompareOptions) (measure.CompareResult, error) {
	u, err := measure.Link(unit)
	if err != nil {
		return measure.CompareResult{}, err
	}
	g, err := measure.Link(golden)
	if err != nil {
		return measure.CompareResult{}, err
	}
	return measure.Compare(u.Lost, u.Expected, g.Lost, g.Expected, o)
}

func sequentialFrames(f drivers.Frames, o measure.SequentialOptions) (measure.SequentialResult, error) {
	l, err := measure.Link(f)
	if err != nil {
		return measure.SequentialResult{}, err
	}
	return measure.Sequential(l.Lost, l.Expected, o)
}
