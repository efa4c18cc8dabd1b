package yield

import (
	"fmt"
	"strings"

	"fullthrow/reports/statistics"
)

// Code names what must be known beside a figure: a caution, or why there is
// none.
type Code string

// What must be known of figures in general.
const (
	LimitChanged Code = "limit_changed" // meanwhile: figures go by the newest
	Newest       Code = "newest"        // only so many of the newest values are looked at
	Dropped      Code = "dropped"       // values that are not finite were left out
)

// Of counts, and of checks multiplied.
const (
	CountsUnsound Code = "counts_unsound" // more in a part than in the whole
	NoneJudged    Code = "none_judged"
	NoneTested    Code = "none_tested"
	NoChecks      Code = "no_checks" // none was judged in first runs
	NeverJudged   Code = "never_judged"
	PartlyJudged  Code = "partly_judged"
)

// Of capability: why there is no index, then cautions.
const (
	LimitNotFinite    Code = "limit_not_finite"
	NoValues          Code = "no_values"
	NotFinite         Code = "not_finite"
	TooLarge          Code = "too_large" // to be squared
	NoLimits          Code = "no_limits"
	LimitsSwapped     Code = "limits_swapped"
	TooFewValues      Code = "too_few_values"
	Constant          Code = "constant"
	NestsDiffer       Code = "nests_differ"
	NoWithin          Code = "no_within" // no sigma within subgroups, and so no Cp and Cpk
	NeighboursAlike   Code = "neighbours_alike"
	FewValues         Code = "few_values"
	TargetOutside     Code = "target_outside"
	CouldBeBetter     Code = "could_be_better" // by the spread of neighbours alone
	PercentilesBeyond Code = "percentiles_beyond"
	PercentilesRough  Code = "percentiles_rough"
)

// Of control charts: cautions, then why there is none.
const (
	EmptySubgroups     Code = "empty_subgroups"
	RoughLimits        Code = "rough_limits"
	SizesDiffer        Code = "sizes_differ"
	SumsInSigma        Code = "sums_in_sigma"
	MeansDiffer        Code = "means_differ"
	MeansDifferLittle  Code = "means_differ_little"
	NoUnits            Code = "no_units"
	FewExpected        Code = "few_expected"
	MoreThanChance     Code = "more_than_chance"
	MoreThanChanceWide Code = "more_than_chance_wide" // and a chart that allows for it
	LessThanChance     Code = "less_than_chance"
	TooFewPoints       Code = "too_few_points"
	FirstBeyond        Code = "first_beyond" // limits from more points than there are
	NoSpread           Code = "no_spread"
	NoneFailed         Code = "none_failed"
	AllFailed          Code = "all_failed"
	OnlySingles        Code = "only_singles"
	NotSingle          Code = "not_single"
	SubgroupTooLarge   Code = "subgroup_too_large"
	CannotBe           Code = "cannot_be" // counts of a point
)

// Of comparisons.
const (
	UnitsDiffer       Code = "units_differ" // symbols
	LimitsDiffer      Code = "limits_differ"
	SingleValue       Code = "single_value"
	FewInGroup        Code = "few_in_group"
	CauseUnknown      Code = "cause_unknown"
	NoPopulation      Code = "no_population"
	AgainstPopulation Code = "against_population"
	AgainstGroup      Code = "against_group"
	GroupFlat         Code = "group_flat"  // a single value against a group that does not scatter
	GroupsFlat        Code = "groups_flat" // neither scatters: ranks
	HalfAlike         Code = "half_alike"
	FarOut            Code = "far_out"
	Lopsided          Code = "lopsided"
	TooFewForRanks    Code = "too_few_for_ranks"
	FewGroups         Code = "few_groups"
	MixUnknown        Code = "mix_unknown" // whether all groups got the same mix of units
	ScatterDiffers    Code = "scatter_differs"
)

// Of drift.
const (
	FewRuns   Code = "few_runs"
	RunsAlike Code = "runs_alike"
	FarAhead  Code = "far_ahead"
)

// remarkArgs names what each code speaks of, in the order in which [remark]
// takes it. Of numbers, share... are shares of 1, index... capability indices.
var remarkArgs = map[Code]string{
	LimitChanged: "", Newest: "shown count", Dropped: "count",

	CountsUnsound: "", NoneJudged: "", NoneTested: "", NoChecks: "", NeverJudged: "checks",
	PartlyJudged: "count checks",

	LimitNotFinite: "", NoValues: "", NotFinite: "count of", TooLarge: "", NoLimits: "", LimitsSwapped: "",
	TooFewValues: "count needed",
	Constant:     "", NestsDiffer: "count share", NoWithin: "", NeighboursAlike: "", FewValues: "count usual",
	TargetOutside: "",
	CouldBeBetter: "index index_low index_high", PercentilesBeyond: "count needed", PercentilesRough: "count needed",

	EmptySubgroups: "count", RoughLimits: "count usual", SizesDiffer: "", SumsInSigma: "", MeansDiffer: "size times",
	MeansDifferLittle: "size times", NoUnits: "count", FewExpected: "expected", MoreThanChance: "times",
	MoreThanChanceWide: "times chart", LessThanChance: "times", TooFewPoints: "count", FirstBeyond: "first count",
	NoSpread:   "",
	NoneFailed: "", AllFailed: "", OnlySingles: "", NotSingle: "label count", SubgroupTooLarge: "count most",
	CannotBe: "label failed of",

	UnitsDiffer: "a b", LimitsDiffer: "", SingleValue: "", FewInGroup: "count", CauseUnknown: "", NoPopulation: "",
	AgainstPopulation: "count", AgainstGroup: "count", GroupFlat: "", GroupsFlat: "", HalfAlike: "", FarOut: "count",
	Lopsided:       "",
	TooFewForRanks: "", FewGroups: "count", MixUnknown: "", ScatterDiffers: "",

	FewRuns: "count", RunsAlike: "autocorrelation count effective", FarAhead: "",
}

// RemarkCodes are all codes, each with the names of what it speaks of.
func RemarkCodes() map[Code][]string {
	all := map[Code][]string{}
	for code, args := range remarkArgs {
		all[code] = strings.Fields(args)
	}
	return all
}

// Remark is a code and what it speaks of, by name: whole numbers, numbers (a
// name that begins with "share" is a share of 1), a [Quantity], a name as in the
// record, or a list of such. reports/wording makes a sentence of it.
type Remark struct {
	Code Code           `json:"code"`
	Args map[string]any `json:"args,omitempty"`
}

// Quantity is a value with the symbol of its unit, without prefix.
type Quantity struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

func remark(code Code, values ...any) Remark {
	names := strings.Fields(remarkArgs[code])
	if len(names) != len(values) {
		panic(fmt.Sprintf("remark %s: %d values for %v", code, len(values), names))
	}
	r := Remark{Code: code}
	for i, v := range values {
		if r.Args == nil {
			r.Args = map[string]any{}
		}
		if x, ok := v.(float64); ok && !statistics.Finite(x) {
			v = nil
		}
		r.Args[names[i]] = v
	}
	return r
}
