package script

import (
	"maps"
	"slices"

	"fullthrow/runner/measure"
)

// measures are the functions that plans call as measure.<name>; see [bind] for
// how their arguments and results look in Lua.
func measures() map[string]any {
	return map[string]any{
		"steady":        measure.Steady,
		"inrush":        measure.Inrush,
		"started":       measure.Started,
		"decay":         measure.Decay,
		"rc_time":       measure.RCTime,
		"rc_level":      measure.RCLevel,
		"charge":        measure.Charge,
		"energy":        measure.Energy,
		"ripple":        measure.Ripple,
		"settling":      measure.Settling,
		"brown_out":     measure.BrownOut,
		"battery_life":  measure.BatteryLife,
		"travel":        measure.Travel,
		"travel_points": measure.TravelPoints,
		"dead_band":     measure.DeadBand,
		"cross_talk":    measure.CrossTalk,
		"tracking":      measure.Tracking,
		"centre":        measure.Centre,
		"switch":        measure.Switch,
		"restart":       measure.Restart,
		"link":          measure.Link,
		"latency":       measure.Latency,
		"tune":          measure.Tune,
		"tones":         measure.Tones,
		"tone":          measure.SteadyTone,
		"sine":          measure.Sine,
		"level":         measure.Level,

		"bursts":          measure.Bursts,
		"sweep":           measure.Sweep,
		"compare":         measure.Compare,
		"sequential":      measure.Sequential,
		"sequential_plan": measure.SequentialPlan,
		"distance":        measure.Distance,
		"attenuation":     measure.Attenuation,
		"start_curve":     measure.StartCurve,
		"next_off":        measure.NextOff,
		"success_run":     measure.SuccessRun,

		"summary":    measure.Summary,
		"proportion": measure.Proportion,
		"percentile": measure.Percentile,
		"histogram":  measure.Histogram,
		"line":       measure.Line,
		"one_way":    measure.OneWay,
	}
}

func measureNames() []string { return slices.Sorted(maps.Keys(measures())) }
