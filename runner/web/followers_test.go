package web

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

// timedRun is a run as long as the stock plan's, 46 s and 170 events at
// a hundredth of the time, and says how long each took.
func timedRun(took *atomic.Int64) func(context.Context, *fakeRunner, *archive.Journal) reports.End {
	return func(ctx context.Context, r *fakeRunner, j *archive.Journal) reports.End {
		began := time.Now()
		for check := range 10 {
			name := fmt.Sprintf("check%d", check)
			r.event(j, reports.Event{Kind: reports.CheckStarted, Check: &reports.Check{Name: name, About: "About it", Part: "sounder", Started: time.Now()}})
			time.Sleep(46 * time.Millisecond)
			for i := range 15 {
				r.event(j, reports.Event{Kind: reports.ReadingTaken, Reading: &reports.Reading{Check: name, Name: fmt.Sprintf("r%d", i), Value: reports.Number(1), Unit: "V", Verdict: reports.Pass}})
			}
			r.event(j, reports.Event{Kind: reports.CheckEnded, Check: &reports.Check{Name: name, Verdict: reports.Pass, Ended: time.Now()}})
		}
		took.Store(int64(time.Since(began)))
		return reports.End{Outcome: reports.Passed}
	}
}

// BenchmarkFollowers is how long a run takes with 0 and with 50 browsers that
// follow it, at a hundred times the pace of a real one: s/run is the time
// between its first event and its last.
func BenchmarkFollowers(b *testing.B) {
	for _, followers := range []int{0, 50} {
		b.Run(fmt.Sprint(followers), func(b *testing.B) {
			g := newRig(b)
			var took atomic.Int64
			g.nests["A"].play = timedRun(&took)
			var wg sync.WaitGroup
			ctx, cancel := context.WithCancel(b.Context())
			var read atomic.Int64
			for range followers {
				req, err := http.NewRequestWithContext(ctx, "GET", g.http.URL+"/events", nil)
				require.NoError(b, err)
				resp, err := g.http.Client().Do(req)
				require.NoError(b, err)
				wg.Add(1)
				go func() {
					defer wg.Done()
					defer resp.Body.Close()
					n, _ := io.Copy(io.Discard, resp.Body)
					read.Add(n)
				}()
			}
			total := 0.0
			for n := 0; b.Loop(); n++ {
				s := serialOf(n % 1000)
				if r := g.scanInto(s, "A"); !r.OK {
					b.Fatal(r)
				}
				g.server.runs.Wait()
				total += time.Duration(took.Load()).Seconds()
			}
			b.ReportMetric(total/float64(b.N), "s/run")
			cancel()
			wg.Wait()
			if followers > 0 {
				b.ReportMetric(float64(read.Load())/float64(b.N)/float64(followers), "B/run/follower")
			}
		})
	}
}

// A reader that takes nothing holds up neither the run nor anybody else, and
// finds everything when it reads on.
func TestSlowFollower(t *testing.T) {
	g := newRig(t)
	slow := g.follow("")
	defer slow.close()
	fast := g.follow("")
	defer fast.close()
	for n := range 5 {
		g.scanInto(serialOf(n+1), "A")
		seqs, _ := runSeqs(t, fast)
		require.Equal(t, upTo(9), seqs)
		g.server.runs.Wait()
	}
	for range 5 {
		seqs, _ := runSeqs(t, slow)
		require.Equal(t, upTo(9), seqs)
	}
}

// FuzzScan: whatever is scanned, the answer is one of the codes and can be
// shown.
func FuzzScan(f *testing.F) {
	for _, h := range hostile {
		f.Add(h)
	}
	f.Add(serialOf(1))
	g := newRig(f)
	for _, n := range g.nests {
		n.set(func() { n.out = &reports.Reason{Code: reports.PlanStuck} })
	}
	f.Fuzz(func(t *testing.T, text string) {
		a := g.server.scanned(text, "", "")
		if a.ok || a.code == "" {
			t.Fatalf("%q: %+v", text, a)
		}
		for _, lang := range []string{"en", "es", "zh-Hans"} {
			said := g.server.say(g.server.c.Look.Translator(lang), a.text)
			if said == "" || strings.ContainsFunc(said, func(r rune) bool { return r < ' ' || r == 0x7f }) || strings.Contains(said, "[operator.") {
				t.Fatalf("%q: says %q", text, said)
			}
		}
	})
}

// A hub under many hands keeps its order.
func TestHubOrder(t *testing.T) {
	h := newHub()
	const messages = 2000
	var wg sync.WaitGroup
	for range 8 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			at := int64(0)
			for at < messages {
				list, kept := h.after(t.Context(), at)
				if !kept {
					t.Error("lost")
					return
				}
				for _, m := range list {
					if m.number != at+1 {
						t.Errorf("number %d after %d", m.number, at)
						return
					}
					at = m.number
				}
				if rand.IntN(4) == 0 {
					time.Sleep(time.Microsecond)
				}
			}
		}()
	}
	for range messages {
		h.publish(&message{})
	}
	wg.Wait()
}
