package limits

import (
	"errors"
	"math"
	"testing"

	"fullthrow/reports"
	"fullthrow/runner/input"
)

// Whatever the file: no panic, and problems that name a line; whatever the
// reading: a verdict, and a pass only within the limit that is recorded.
func FuzzJudge(f *testing.F) {
	f.Add("product = \"p\"\n[c.r]\nlower = 1\nupper = 12\nunit = \"uA\"\nwhy = \"w\"\n", 9.1, "uA", "", 0.2)
	f.Add("product = \"p\"\ninconclusive = \"error\"\n[c.r]\nupper = 5\nunit = \"%\"\nrule = \"guarded\"\nwhy = \"w\"\n", 0.049, "1", "", 0.01)
	f.Add("product = \"p\"\n[c.r]\none_of = [1, 2]\nunit = \"1\"\nwhy = \"w\"\n", 2.0, "", "more", 0.0)
	f.Add("inconclusive = \"pass\"\n[c]\nr = 1\n", 2.0, "", "more", 0.0)
	f.Fuzz(func(t *testing.T, file string, x float64, unit, bound string, uncertainty float64) {
		set, err := Parse("f.toml", []byte(file))
		if err != nil {
			var fe *input.Error
			if !errors.As(err, &fe) || len(fe.Problems) == 0 || fe.Problems[0].Line < 1 || set != nil {
				t.Fatalf("%#v", err)
			}
			return
		}
		r := set.Judge("c", "r", Indication{Value: reports.Number(x), Unit: unit, Bound: bound, Uncertainty: uncertainty})
		if r.Conformance != nil && !(*r.Conformance >= 0 && *r.Conformance <= 1) {
			t.Fatalf("conformance %v", *r.Conformance)
		}
		switch r.Verdict {
		case reports.Pass:
			y, _ := r.Value.Number()
			l := r.Limit
			if l == nil || math.IsNaN(y) || math.IsInf(y, 0) || bound == "" && (l.Lower != nil && y < *l.Lower || l.Upper != nil && y > *l.Upper) {
				t.Fatalf("passed: %+v by %+v", r, l)
			}
		case reports.Fail, reports.Unlimited:
		case reports.Inconclusive, reports.Error:
			if r.Problem == nil {
				t.Fatalf("no reason: %+v", r)
			}
		default:
			t.Fatalf("verdict %q", r.Verdict)
		}
	})
}
