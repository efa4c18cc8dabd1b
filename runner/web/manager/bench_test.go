package manager

import (
	"context"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/reports/store"
	"fullthrow/runner/web/shell"
)

func newRand() *rand.Rand { return rand.New(rand.NewPCG(1, 2)) }

// BenchmarkFirstPaint makes every page over the million units of FULLTHROW_BIG
// (see package store), warm, and gives the time in which 95 of 100 were there.
func BenchmarkFirstPaint(b *testing.B) {
	dir := os.Getenv("FULLTHROW_BIG")
	if dir == "" {
		b.Skip("FULLTHROW_BIG names no directory with an index of a million units: see reports/store")
	}
	ctx := context.Background()
	index, err := store.OpenIndex(ctx, dir, store.IndexOptions{Defer: true})
	require.NoError(b, err)
	defer index.Close()
	l, err := shell.New()
	require.NoError(b, err)
	newest, err := index.Runs(ctx, store.Selection{}, store.RunFilter{}, "", 1)
	require.NoError(b, err)
	readings, err := index.Readings(ctx, "")
	require.NoError(b, err)
	lots, err := index.Values(ctx, store.ByLot)
	require.NoError(b, err)
	zone := time.FixedZone("plant", 3600)
	m, err := New(Config{Store: index, Look: l, Zone: zone, Now: func() time.Time { return newest[0].Started.Add(time.Hour) }})
	require.NoError(b, err)
	r := readings[len(readings)/2]
	for _, address := range []string{
		"/today", "/today?period=30d", "/today?period=365d", "/today?period=all",
		"/fails", "/fails?period=all&by=reading", "/fails?period=all&by=check",
		"/drift", "/drift?period=365d", "/drift?reading=" + r, "/drift?period=365d&reading=" + r,
		"/hold", "/hold?period=all", "/hold?reading=" + r, "/hold?period=all&reading=" + r,
		"/differs", "/differs?period=all", "/differs?a=lot:" + lots[0] + "&b=lot:" + lots[1], "/differs?period=all&a=lot:" + lots[0] + "&b=lot:" + lots[1],
		"/differs?period=all&by=station&reading=" + r,
		"/unit?serial=" + newest[0].Unit.SerialNumber, "/units", "/units?period=all&outcome=failed&first-runs=1",
	} {
		b.Run(address, func(b *testing.B) {
			var took []time.Duration
			for b.Loop() {
				began := time.Now()
				w := httptest.NewRecorder()
				m.ServeHTTP(w, httptest.NewRequest("GET", address, nil))
				took = append(took, time.Since(began))
				require.Equal(b, http.StatusOK, w.Code, w.Body)
			}
			slices.Sort(took)
			b.ReportMetric(float64(took[len(took)*95/100].Microseconds())/1000, "ms-p95")
		})
	}
}
