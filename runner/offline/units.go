package offline

import "strings"

// Units of the fields of results and options, the one place where they stand.
// A test compares it with package measure, so that none is missing. Besides
// units there are:
//
//	capture    the unit of the capture that was measured
//	values     that of the values; values2 its square
//	x y y/x    those of pairs
//	output     that of the output of a table of points, commanded that of its
//	           positions, output/commanded their quotient
//	strength   that of the strengths tried
//	%throw     % of throw; %span % of span
//
// Fields of type Interval are in the unit of the field; whole numbers, truths
// and texts need no entry.
var resultUnits = map[string]string{
	"ToneResult":   "Frequency Hz Cents cent Amplitude capture Level dB THD 1 THDF 1 THDN 1 SINAD dB SNR dB ENOB bit SFDR dB NoiseFloor dB ForeignLevel dB ForeignFrequency Hz DC capture",
	"Harmonic":     "Frequency Hz Level dB",
	"ForeignTone":  "Frequency Hz Level dB",
	"TonesResult":  "NoiseFloor dB DC capture",
	"Tone":         "Frequency Hz Amplitude capture Level dB",
	"TuneResult":   "WorstCents cent WorstLength 1 Level dB WeakestLevel dB THD 1 ForeignLevel dB ForeignFrequency Hz DC capture NoiseFloor dB",
	"NoteFound":    "Start s Length s Pitch Hz Level dB THD 1 Cents cent LengthError 1",
	"SineResult":   "Frequency Hz Amplitude capture Phase rad DC capture Residual capture SINAD dB",
	"LevelResult":  "RMS capture Peak capture Crest 1 Level dB LevelA dB LevelC dB PeakLevel dB DC capture",
	"SteadyResult": "Mean capture SD capture Min capture Max capture PeakToPeak capture Uncertainty capture Drift capture",
	"InrushResult": "Peak A PeakAt s Onset s Settled A Charge C Duration s",

	"DecayResult":    "Final capture Uncertainty capture Amplitude capture Tau s TauUncertainty s Resistance Ohm Capacitance F Residual capture",
	"SettlingResult": "Final capture Uncertainty capture Time s Overshoot capture",
	"RippleResult":   "Mean capture RMS capture PeakToPeak capture Frequency Hz Amplitude capture Share 1",
	"ChargeResult":   "Duration s Charge C Energy J Mean A RMS A Peak A PeakAt s",
	"BrownOutResult": "DropOut V StoppedAt V Recovery V StillOffAt V Hysteresis V Uncertainty V",
	"BatteryResult":  "Life s Mean A Usable C Drawn C Lost C Cycles 1 Derated C",

	"TravelResult":       "LowEnd %throw HighEnd %throw Centre %throw Follows 1 Hysteresis %span Play %throw NonLinearity %span Independent %span ZeroBased %span LeastSquares %span Repeatability %span DeadBand %throw Noise %throw NoisePeak %throw NoisePeakToPeak %throw Step %throw Resolution %throw EffectiveBits bit Lag s",
	"DirtySpot":          "From %throw To %throw Furthest %throw",
	"TravelPoint":        "Commanded %throw Output %throw",
	"TravelPointsResult": "Span output LowEnd output HighEnd output InaccuracyAbove %span InaccuracyBelow %span ErrorAbove %span ErrorBelow %span Hysteresis %span HysteresisAt commanded Play %span Repeatability %span RepeatabilityAt commanded RepeatabilitySD %span TurnsBack %span",
	"StraightLine":       "Slope output/commanded Intercept output NonLinearity %span At commanded",
	"CurvePoint":         "Commanded commanded Up output Down output Average output",
	"DeadBandResult":     "Width %throw Middle %throw Uncertainty %throw Slope 1",
	"TrackingResult":     "Lag s LagUncertainty s Play %throw PlayUncertainty %throw Follows 1 Residual %throw",
	"CrossTalkResult":    "Worst %throw Follows 1",
	"ChannelResponse":    "Gain % Uncertainty % Response %throw Movement %throw",
	"CentreResult":       "Offset %throw Play %throw Spread %throw FromLow %throw FromHigh %throw SpreadLow %throw SpreadHigh %throw Noise %throw Wiggle %throw NoisePeakToPeak %throw",
	"SwitchResult":       "Off %throw On %throw",

	"LinkResult":           "ErrorRate % Upper % Exact % Wilson % LongestGap s BurstLength 1",
	"BurstResult":          "MeanLength 1 Enter 1 Leave 1 Independence 1 Inflation 1 Upper %",
	"ElliottFit":           "Enter 1 Leave 1 GoodLoss 1 BadLoss 1",
	"SweepResult":          "Attenuation dB Interval dB Uncertainty dB Width dB Floor % Dispersion 1",
	"CompareResult":        "Difference % Interval % Confidence %",
	"SequentialPlanResult": "Slope 1 AcceptIntercept 1 RejectIntercept 1 Alpha 1 Beta 1 PacketsGood 1 PacketsBad 1",
	"SequentialResult":     "",
	"DistanceResult":       "Distance m FreeSpace dB Woodland dB",
	"LatencyResult":        "Mean s Median s SD s P95 s P99 s Min s Max s Jitter s",
	"Bin":                  "From values To values",

	"RestartResult":    "ShortestOff s LongestFailed s",
	"StartCurveResult": "ReliableOff s HalfOff s HalfOffInterval s TimeConstant s TimeConstantInterval s Resistance Ohm ResistanceInterval Ohm",
	"StartLevel":       "Off s Probability 1 Interval 1",
	"NextOffResult":    "Off s ReliableOff s",

	"SummaryResult":    "Mean values SD values Median values Min values Max values Autocorrelation 1 MeanInterval values SDInterval values",
	"PercentileResult": "Value values Interval values Confidence %",
	"LineResult":       "Intercept y Slope y/x InterceptSD y SlopeSD y/x ResidualSD y RSquared 1 F 1",
	"OneWayResult":     "BetweenSS values2 WithinSS values2 BetweenMS values2 WithinMS values2 F 1 P 1 RSquared 1 ResidualSD values",
	"DetectionResult":  "Curve 1",
	"Edge":             "Level 1 At strength Low strength High strength",
	"ProportionResult": "Rate 1 Exact 1 Wilson 1 Confidence %",
}

// plain are the units of results that are a single value.
var plain = map[string]string{
	"rc-time": "s", "rc-level": "1", "attenuation": "dB", "success-run": "1", "difference": "1", "poisson": "1",
}

// whys say what it means that a field is not a number or infinite, where the
// capture cannot show it.
var whys = map[string]string{
	"LatencyResult.P95":             "fewer answers than needed_p95",
	"LatencyResult.P99":             "fewer answers than needed_p99",
	"LatencyResult.Jitter":          "no two answers followed each other",
	"LatencyResult":                 "nothing answered",
	"BurstResult.MeanLength":        "nothing was lost",
	"BurstResult":                   "too few losses, or nothing received",
	"ElliottFit":                    "not fitted: too few losses, or they are independent",
	"SweepResult":                   "the edge lies beyond the sweep, or between two points",
	"Interval":                      "so few values bound it on one side only",
	"PercentileResult.Value":        "fewer values than needed",
	"SummaryResult":                 "a single value has no spread",
	"StartCurveResult.ReliableOff":  "no time off was tried often enough without a failure",
	"StartCurveResult":              "the trials all ended alike, or the options do not give what it takes",
	"NextOffResult.Off":             "the search is done",
	"NextOffResult.ReliableOff":     "not found yet",
	"RestartResult":                 "the trials do not show it",
	"DecayResult.Resistance":        "give --capacitance; or nothing decays",
	"DecayResult.Capacitance":       "give --resistance; or nothing decays",
	"DecayResult":                   "nothing decays, or the capture is too short to tell",
	"SettlingResult.Time":           "it had not settled before the last quarter of the capture",
	"RippleResult.Frequency":        "no tone stands out",
	"ChargeResult.Energy":           "give --voltage",
	"BrownOutResult":                "it never stopped, or never ran again",
	"BatteryResult":                 "nothing is drawn and nothing lost",
	"TravelResult.Centre":           "the path does not reach position 0",
	"TravelResult.DeadBand":         "the path does not pass the centre, or too little was heard near it",
	"TravelResult.Play":             "no position between the ends was reached from both sides",
	"TravelResult":                  "too little was heard while the stick stood still",
	"TravelPointsResult.Play":       "no position between the ends was reached from both sides",
	"TravelPointsResult":            "no position was reached twice, or from both sides",
	"StraightLine":                  "a single position makes no line",
	"CurvePoint":                    "not reached that way",
	"DeadBandResult":                "no dead band, or too little was heard",
	"TrackingResult":                "too little was heard, or the output is stuck",
	"CrossTalkResult":               "nothing was heard",
	"ChannelResponse":               "not heard at two positions",
	"CentreResult":                  "too little was heard",
	"SwitchResult":                  "nothing was heard",
	"LineResult":                    "two points, or a constant, show no scatter",
	"OneWayResult":                  "all values are the same, or there is no scatter",
	"Edge":                          "nothing was tried there",
	"StartLevel":                    "too few trials",
	"DirtySpot":                     "too little was heard",
	"DetectionResult":               "too few trials",
	"SequentialPlanResult":          "it has no bound",
	"ProportionResult":              "too few trials",
	"DistanceResult":                "it has no bound",
	"LinkResult":                    "nothing was heard",
	"TravelPoint":                   "not heard",
	"StartCurveResult.TimeConstant": "give --threshold; or the trials all ended alike",
	"StartCurveResult.Resistance":   "give --threshold and --capacitance; or the trials all ended alike",
}

// option is a field of an options struct: its unit, and what it is for.
type option struct{ unit, about string }

// options by struct and field.
var options = map[string]map[string]option{
	"ToneOptions": {
		"Frequency": {"Hz", "the intended tone; default: the strongest"},
		"Within":    {"cent", "how far from it is looked; default: 100"},
		"Harmonics": {"", "the highest harmonic that counts as one; default: 10"},
		"Foreign":   {"", "at most so many foreign tones are listed; default: 5"},
		"Lowest":    {"Hz", "nothing below is looked at; default: 20"},
		"Highest":   {"Hz", "nothing above is looked at; default: 0.49 of the sample rate"},
		"Silence":   {"dB", "a quieter capture is silent; default: -80, in Pa 20"},
		"Channel":   {"", "of the capture; default: 1"},
		"Average":   {"", "take the mean of all channels"},
	},
	"TonesOptions": {
		"Count":   {"", "at most so many tones; default: 5"},
		"Channel": {"", "of the capture; default: 1"},
		"Average": {"", "take the mean of all channels"},
		"Lowest":  {"Hz", "nothing below is looked at; default: 20"},
		"Highest": {"Hz", "nothing above is looked at; default: 0.49 of the sample rate"},
		"Window":  {"", "hann, hamming, blackman, blackman-harris, flat-top, hft70, hft90d, hft95 or rectangular"},
		"Silence": {"dB", "a quieter capture is silent; default: -80, in Pa 20"},
	},
	"TuneOptions": {
		"Score":   {"", "pitch in Hz and length in s of each note: 1047:0.15,1319:0.15"},
		"Start":   {"s", "sound before is passed over"},
		"Within":  {"cent", "a note further from its pitch is a wrong one; default: 50"},
		"Channel": {"", "of the capture; default: 1"},
		"Average": {"", "take the mean of all channels"},
		"Silence": {"dB", "a quieter capture is silent; default: -80, in Pa 20"},
	},
	"SineOptions": {
		"Frequency": {"Hz", "where the sine is; default: where the spectrum is strongest"},
		"Fixed":     {"", "the frequency is exact: fit three parameters, not four"},
		"Channel":   {"", "of the capture; default: 1"},
		"Average":   {"", "take the mean of all channels"},
	},
	"LevelOptions": {
		"Channel": {"", "of the capture; default: 1"},
		"Average": {"", "take the mean of all channels"},
		"Silence": {"dB", "a quieter capture is silent; default: -80, in Pa 20"},
	},
	"DecayOptions": {
		"Resistance":  {"Ohm", "of the RC pair, where known"},
		"Capacitance": {"F", "of the RC pair, where known"},
	},
	"SettlingOptions": {
		"Within": {"1", "share of the final value that counts as settled; default: 0.02"},
		"Band":   {"capture", "the same in the capture's unit; the wider of the two counts"},
	},
	"RippleOptions": {
		"Lowest":  {"Hz", "of the band where a tone is sought; default: three periods in the capture"},
		"Highest": {"Hz", "of that band; default: 0.48 of the sample rate"},
	},
	"ChargeOptions": {
		"From":    {"s", "beginning of the window, from the start of the capture"},
		"To":      {"s", "its end; default: the last sample"},
		"Voltage": {"V", "constant during the window; for the energy"},
	},
	"EnergyOptions": {
		"From": {"s", "beginning of the window, from the start of the current's capture"},
		"To":   {"s", "its end; default: the last sample"},
	},
	"BatteryOptions": {
		"Capacity":      {"C", "nominal; 1 A·h is 3600 C; needed"},
		"Derating":      {"1", "share of it that the cell gives in this use; default: 1"},
		"CutOff":        {"1", "share of that which is left when the unit stops"},
		"SelfDischarge": {"1", "share that the cell loses by itself in 30 days"},
	},
	"TravelOptions": {
		"Channel": {"", "of the receiver, that the axis moves; needed with a path"},
		"Axis":    {"", "of the path, as left_x; needed with a path"},
		"Skip":    {"s", "at the beginning of each dwell that are passed over; default: 0.05"},
	},
	"TravelPointsOptions": {
		"OutputLow":  {"output", "ideal output at the lowest position; default: that position"},
		"OutputHigh": {"output", "ideal output at the highest position; default: that position"},
		"Span":       {"output", "what 100 % is; default: the ideal output from end to end"},
		"Within":     {"%", "of span, up to which positions count as one; default: 1e-6"},
		"Slack":      {"%", "of span, the step back that still counts as monotonic; default: 0.25"},
	},
	"DeadBandOptions": {
		"Channel": {"", "of the receiver, that the axis moves; needed"},
		"Axis":    {"", "of the path, as left_x; needed"},
		"Lag":     {"s", "as travel finds it; for the middle only"},
	},
	"TrackingOptions": {
		"Channel": {"", "of the receiver, that the axis moves; needed"},
		"Axis":    {"", "of the path, as left_x; needed"},
		"Margin":  {"%", "of throw that are passed over after each start or turn; default: 10"},
	},
	"CrossTalkOptions": {
		"Channel":  {"", "of the receiver, that the axis is meant to move; needed"},
		"Axis":     {"", "of the path, as left_x; needed"},
		"Channels": {"", "the others to look at, as 2,3,4; default: all"},
		"Lag":      {"s", "as travel finds it"},
		"Skip":     {"s", "at the beginning of each dwell that are passed over; default: 0.05"},
	},
	"CentreOptions": {
		"Channel": {"", "of the receiver; needed"},
		"Settle":  {"s", "at the beginning of each release that are passed over"},
	},
	"SwitchOptions": {"Channel": {"", "of the receiver; needed"}},
	"SweepOptions": {
		"Rate":       {"%", "of packets lost, whose attenuation is wanted; default: 1"},
		"Confidence": {"%", "of the interval; default: 95"},
		"Curve":      {"", "logistic or probit; default: logistic"},
	},
	"CompareOptions": {
		"Confidence": {"%", "of the interval; default: 95"},
		"Margin":     {"%", "from which on a difference matters"},
		"Inflation":  {"1", "for losses in bursts, as bursts measures it; default: 1"},
	},
	"SequentialOptions": {
		"Good":      {"%", "lost by a unit that must be accepted; needed"},
		"Bad":       {"%", "lost by a unit that must be rejected; needed"},
		"Alpha":     {"1", "chance of rejecting a good unit; default: 0.05"},
		"Beta":      {"1", "chance of accepting a bad one; default: 0.05"},
		"Max":       {"", "packets after which the test decides in any case"},
		"Inflation": {"1", "for losses in bursts, as bursts measures it; default: 1"},
	},
	"DistanceOptions": {
		"Frequency": {"Hz", "of the link; needed"},
		"Fixed":     {"dB", "loss of the bench besides its attenuator"},
		"Gain":      {"dB", "of both antennas together in use, dBi"},
		"Wood":      {"m", "of the path that lie in woodland"},
		"A1":        {"dB", "as ITU-R P.833; default: 0.18"},
		"Alpha":     {"1", "as ITU-R P.833; default: 0.752"},
		"Specific":  {"1", "dB/m of the first metres of woodland; default: 0.05 at 900 MHz"},
	},
	"StartCurveOptions": {
		"Reliability": {"1", "chance of starting that counts as reliable; default: 0.9"},
		"Confidence":  {"%", "of every statement; default: 90"},
		"Threshold":   {"1", "share of its first voltage to which the node must fall"},
		"Capacitance": {"F", "of that node"},
	},
	"NextOffOptions": {
		"Low":         {"s", "shortest time off; needed"},
		"High":        {"s", "longest time off; needed"},
		"Ratio":       {"1", "between neighbours at which bisecting ends; default: 1.1"},
		"Reliability": {"1", "chance of starting that counts as reliable; default: 0.9"},
		"Confidence":  {"%", "of every statement; default: 90"},
		"Trials":      {"", "at most; default: 100"},
	},
	"SummaryOptions":    {"Confidence": {"%", "of the intervals; default: 95"}},
	"PercentileOptions": {"Confidence": {"%", "of the interval; default: 95"}},
	"HistogramOptions":  {"Width": {"values", "of a bin; default: by the spread of the values"}},
	"DetectionOptions": {
		"Levels":     {"1", "shares whose strength is wanted; default: 0.5,0.95"},
		"Confidence": {"%", "of the intervals; default: 95"},
		"Curve":      {"strength", "strengths at which the curve is wanted, as 0.1,0.2"},
	},
	"ProportionOptions": {"Confidence": {"%", "of the intervals; default: 95"}},
}

// unitOf is the entry of a result's field.
func unitOf(typ, field string) (string, bool) {
	words := strings.Fields(resultUnits[typ])
	for i := 0; i+1 < len(words); i += 2 {
		if words[i] == field {
			return words[i+1], true
		}
	}
	return "", false
}

// whyNot says why a field is not a finite number.
func whyNot(typ, field string) string {
	if w, ok := whys[typ+"."+strings.TrimSuffix(field, "Interval")]; ok {
		return w
	}
	if w, ok := whys[typ]; ok {
		return w
	}
	return "the capture does not show it"
}
