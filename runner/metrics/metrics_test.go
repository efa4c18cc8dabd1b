package metrics

import (
	"fmt"
	"io"
	"maps"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"fullthrow/reports"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/stretchr/testify/require"
)

var began = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// run plays the events of a run of 40 s.
func run(take func(reports.Event), start reports.Start, outcome reports.Outcome, verdict reports.Verdict) {
	at := began
	add := func(after time.Duration, e reports.Event) {
		at = at.Add(after)
		e.Time = at
		take(e)
	}
	add(0, reports.Event{Kind: reports.RunStarted, Start: &start})
	add(time.Second, reports.Event{Kind: reports.BenchReady})
	add(0, reports.Event{Kind: reports.CheckStarted, Check: &reports.Check{Name: "standby"}})
	add(time.Second, reports.Event{Kind: reports.PromptAsked, Prompt: &reports.Prompt{ID: "1", Text: "Is it lit?"}})
	add(4*time.Second, reports.Event{Kind: reports.PromptDone, Prompt: &reports.Prompt{ID: "1"}})
	add(0, reports.Event{Kind: reports.PromptDone, Prompt: &reports.Prompt{ID: "never asked"}})
	add(time.Second, reports.Event{Kind: reports.CheckEnded, Check: &reports.Check{Name: "standby", Verdict: verdict}})
	if outcome == reports.Errored {
		add(0, reports.Event{Kind: reports.BenchFault, Fault: &reports.Fault{Reason: reports.Reason{Code: reports.DeviceFailed, Device: "meter", Kind: "no reply"}}})
		add(0, reports.Event{Kind: reports.MadeSafe, Unsafe: []reports.Unsafe{
			{Device: "supply", Drives: []string{"power"}, Text: "no reply"}, {Device: "power", Drives: []string{"power"}, Text: "no reply"},
			{Device: "sticks", Drives: []string{"motion"}, Text: "no reply"}, {Device: "fog", Drives: []string{"steam"}, Text: "no reply"}}})
	}
	add(33*time.Second, reports.Event{Kind: reports.RunEnded, End: &reports.End{Outcome: outcome}})
}

func start(nest string) reports.Start {
	return reports.Start{Station: "LQ-1", Nest: nest, Operator: "kim", Attempt: 1, CycleTime: 45, Unit: reports.Unit{Product: "kittiwake-k8", SerialNumber: "K8-000001"}}
}

// fetch reads the metrics over HTTP, and parses them.
func fetch(t *testing.T, m *Metrics, accept string) (text string, families map[string]*dto.MetricFamily) {
	t.Helper()
	req := httptest.NewRequest("GET", "/metrics", nil)
	req.Header.Set("Accept", accept)
	w := httptest.NewRecorder()
	m.Handler().ServeHTTP(w, req)
	require.Equal(t, 200, w.Code)
	body, err := io.ReadAll(w.Body)
	require.NoError(t, err)
	if accept != "" {
		require.Contains(t, w.Header().Get("Content-Type"), "application/openmetrics-text")
		require.True(t, strings.HasSuffix(string(body), "# EOF\n"))
		return string(body), nil
	}
	parser := expfmt.NewTextParser(model.UTF8Validation)
	families, err = parser.TextToMetricFamilies(strings.NewReader(string(body)))
	require.NoError(t, err)
	return string(body), families
}

const openMetrics = "application/openmetrics-text; version=1.0.0"

func TestRunsAreCounted(t *testing.T) {
	m := New(Config{Version: "v1.2.3", Station: "LQ-1"})
	a, b := m.Follow(), m.Follow()
	run(a, start("A"), reports.Passed, reports.Pass)
	run(a, start("A"), reports.Failed, reports.Fail)
	again := start("B")
	again.Attempt = 2
	run(b, again, reports.Passed, reports.Pass)
	run(b, start("B"), reports.Errored, reports.Error)
	gold := start("A")
	gold.Unit.Golden = true
	run(a, gold, reports.Passed, reports.Pass)
	b(reports.Event{Kind: reports.RunStarted, Time: began, Start: &again})
	b(reports.Event{Kind: "unheard of"})

	m.now = func() time.Time { return began.Add(90 * time.Minute) }
	m.SetForward(Forward{Enabled: true, Connected: true, Contact: began, Known: true, Reports: 3, Bytes: 4096, Oldest: began, Sent: 7, Problems: 1, Skew: -2.5})
	m.Refused("host")
	m.Refused("host")
	m.SetIndex(Index{Enabled: true, Trouble: true, Reports: 10, Flagged: 2, Rebuilds: 1})

	text, _ := fetch(t, m, "")
	for _, want := range []string{
		`fullthrow_runs_started_total{nest="A",product="kittiwake-k8",station="LQ-1"} 3`,
		`fullthrow_runs_total{nest="A",outcome="passed",product="kittiwake-k8",station="LQ-1"} 1`,
		`fullthrow_runs_total{nest="A",outcome="failed",product="kittiwake-k8",station="LQ-1"} 1`,
		`fullthrow_runs_total{nest="B",outcome="error",product="kittiwake-k8",station="LQ-1"} 1`,
		`fullthrow_first_runs_total{nest="B",outcome="error",product="kittiwake-k8",station="LQ-1"} 1`,
		`fullthrow_golden_runs_total{nest="A",outcome="passed",product="kittiwake-k8",station="LQ-1"} 1`,
		`fullthrow_run_duration_seconds_sum{nest="A",product="kittiwake-k8",station="LQ-1"} 80`,
		`fullthrow_run_duration_seconds_bucket{nest="A",product="kittiwake-k8",station="LQ-1",le="35"} 0`,
		`fullthrow_run_duration_seconds_bucket{nest="A",product="kittiwake-k8",station="LQ-1",le="40"} 2`,
		`fullthrow_check_duration_seconds_sum{check="standby",product="kittiwake-k8"} 30`,
		`fullthrow_checks_total{check="standby",product="kittiwake-k8",verdict="pass"} 2`,
		`fullthrow_checks_total{check="standby",product="kittiwake-k8",verdict="error"} 1`,
		`fullthrow_prompt_wait_seconds_sum{nest="A",station="LQ-1"} 12`,
		`fullthrow_faults_total{device="meter",kind="no reply",nest="B",station="LQ-1"} 1`,
		`fullthrow_unsafe_total{hazard="power",nest="B",station="LQ-1"} 1`,
		`fullthrow_unsafe_total{hazard="motion",nest="B",station="LQ-1"} 1`,
		`fullthrow_unsafe_total{hazard="unknown",nest="B",station="LQ-1"} 1`,
		`fullthrow_run_under_way{nest="A",station="LQ-1"} 0`,
		`fullthrow_run_under_way{nest="B",station="LQ-1"} 1`,
		`fullthrow_cycle_time_seconds{product="kittiwake-k8"} 45`,
		`fullthrow_events_total{kind="run-started"} 6`,
		`fullthrow_requests_refused_total{reason="host"} 2`,
		`fullthrow_events_total{kind="other"} 1`,
		`fullthrow_last_run_end_timestamp_seconds{nest="A",station="LQ-1"} 1.77243124e+09`,
		`fullthrow_forward_connected 1`, `fullthrow_forward_behind_reports 3`, `fullthrow_forward_behind_bytes 4096`,
		`fullthrow_forward_behind_seconds 5400`, `fullthrow_forward_sent_reports_total 7`, `fullthrow_forward_problems 1`,
		`fullthrow_forward_clock_skew_seconds -2.5`,
		`fullthrow_index_trouble 1`, `fullthrow_index_reports 10`, `fullthrow_index_flagged_reports 2`, `fullthrow_index_rebuilds_total 1`,
		`version="v1.2.3"`,
	} {
		require.Contains(t, text, want)
	}
	require.NotContains(t, text, `first_runs_total{nest="B",outcome="passed"`, "a retest")
	for _, hidden := range []string{"K8-000001", "kim", "lit", "no reply in"} {
		require.NotContains(t, text, hidden)
	}
	open, _ := fetch(t, m, openMetrics)
	require.Contains(t, open, "# TYPE fullthrow_runs counter\n")
	require.Contains(t, open, `fullthrow_runs_total{nest="A",outcome="passed",product="kittiwake-k8",station="LQ-1"} 1.0`)

	text, families := fetch(t, m, "")
	problems, err := promlint.New(strings.NewReader(text)).Lint()
	require.NoError(t, err)
	require.Empty(t, problems)
	require.Contains(t, families, "go_goroutines")

	// Both formats are as other software writes them.
	require.Equal(t, encoded(t, families, expfmt.NewFormat(expfmt.TypeTextPlain)), ours(text))
	require.Equal(t, encoded(t, families, expfmt.NewFormat(expfmt.TypeOpenMetrics)), ours(open))
}

// encoded are the families of the program as the format's own software writes
// them.
func encoded(t *testing.T, families map[string]*dto.MetricFamily, format expfmt.Format) string {
	t.Helper()
	var b strings.Builder
	e := expfmt.NewEncoder(&b, format)
	for _, name := range slices.Sorted(maps.Keys(families)) {
		require.NoError(t, e.Encode(families[name]))
	}
	return ours(b.String())
}

// ours leaves out what changes from one moment to the next.
func ours(text string) string {
	var b strings.Builder
	for line := range strings.Lines(text) {
		if strings.Contains(line, "fullthrow_") {
			b.WriteString(line)
		}
	}
	return b.String()
}

// What is not used is not shown: a zero would look like good news.
func TestNothingIsSaidOfWhatIsNotThere(t *testing.T) {
	m := New(Config{})
	text, _ := fetch(t, m, "")
	require.NotContains(t, text, "fullthrow_forward")
	require.NotContains(t, text, "fullthrow_index")
	m.SetForward(Forward{Enabled: true})
	text, _ = fetch(t, m, "")
	require.Contains(t, text, "fullthrow_forward_connected 0")
	require.NotContains(t, text, "fullthrow_forward_behind_reports", "not known yet")
	require.NotContains(t, text, "skew")
}

// Names that a plan, a scanner or an attacker makes up neither break the
// format nor fill the memory.
func TestHostileNamesAreHarmless(t *testing.T) {
	m := New(Config{Version: "a\"b\n\xff", Station: "\x00"})
	take := m.Follow()
	for i := range 1000 {
		s := start(fmt.Sprintf("nest\n%d", i))
		s.Unit.Product = fmt.Sprintf("p%d\"} 1\n# EOF\n\xff\xfe\\", i)
		s.Station = strings.Repeat("é", 10_000) + fmt.Sprint(i)
		take(reports.Event{Kind: reports.RunStarted, Time: began, Start: &s})
		name := fmt.Sprintf("check%d{}\r\n", i)
		take(reports.Event{Kind: reports.CheckStarted, Time: began, Check: &reports.Check{Name: name}})
		take(reports.Event{Kind: reports.CheckEnded, Time: began.Add(-time.Hour), Check: &reports.Check{Name: name, Verdict: reports.Verdict(name)}})
		take(reports.Event{Kind: reports.BenchFault, Time: began, Fault: &reports.Fault{Reason: reports.Reason{Code: reports.DeviceFailed, Device: name, Kind: name}}})
		take(reports.Event{Kind: reports.PromptAsked, Time: began, Prompt: &reports.Prompt{ID: name}})
		take(reports.Event{Kind: reports.Kind(name), Time: began})
		take(reports.Event{Kind: reports.RunEnded, Time: began, End: &reports.End{Outcome: reports.Outcome(name)}})
	}
	// Events without what they should carry, and an end without a beginning.
	for kind := range kinds {
		m.Follow()(reports.Event{Kind: reports.Kind(kind)})
	}
	hostile, families := fetch(t, m, "")
	distinct := func(family, label string) int {
		seen := map[string]bool{}
		for _, metric := range families[family].GetMetric() {
			for _, l := range metric.GetLabel() {
				if l.GetName() == label {
					seen[l.GetValue()] = true
					require.LessOrEqual(t, len([]rune(l.GetValue())), longest)
				}
			}
		}
		return len(seen)
	}
	require.Equal(t, mostNames+1, distinct("fullthrow_runs_total", "product"))
	require.Equal(t, mostNames+1, distinct("fullthrow_runs_total", "nest"))
	require.Equal(t, 1, distinct("fullthrow_runs_total", "outcome"))
	require.Equal(t, mostChecks+1, distinct("fullthrow_check_duration_seconds", "check"))
	require.Equal(t, mostDevices+1, distinct("fullthrow_faults_total", "device"))
	require.Equal(t, mostKinds+1, distinct("fullthrow_faults_total", "kind"))
	require.Equal(t, len(kinds)+1, distinct("fullthrow_events_total", "kind"))
	for _, metric := range families["fullthrow_check_duration_seconds"].GetMetric() {
		require.Zero(t, metric.GetHistogram().GetSampleSum(), "a clock that was set back")
	}
	require.Equal(t, encoded(t, families, expfmt.NewFormat(expfmt.TypeTextPlain)), ours(hostile))
	open, _ := fetch(t, m, openMetrics)
	require.Equal(t, encoded(t, families, expfmt.NewFormat(expfmt.TypeOpenMetrics)), ours(open))
}

// Several nests at once, while somebody fetches.
func TestNestsSideBySide(t *testing.T) {
	m := New(Config{})
	var wg sync.WaitGroup
	for n := range 4 {
		wg.Go(func() {
			take := m.Follow()
			for range 50 {
				run(take, start(string(rune('A'+n))), reports.Passed, reports.Pass)
				m.SetForward(Forward{Enabled: true, Known: true, Reports: int64(n)})
			}
		})
	}
	for range 5 {
		fetch(t, m, openMetrics)
	}
	wg.Wait()
	_, families := fetch(t, m, "")
	total := 0.0
	for _, metric := range families["fullthrow_runs_total"].GetMetric() {
		total += metric.GetCounter().GetValue()
	}
	require.Equal(t, 200.0, total)
}

func BenchmarkRun(b *testing.B) {
	take := New(Config{}).Follow()
	for b.Loop() {
		run(take, start("A"), reports.Passed, reports.Pass)
	}
}
