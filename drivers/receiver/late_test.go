package receiver

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"fullthrow/drivers"
)

// regular is n frames of a receiver whose period is not quite the nominal one.
func regular(n int, period time.Duration, rng *rand.Rand) []drivers.Frame {
	f := make([]drivers.Frame, n)
	for i := range f {
		f[i].At = 3*time.Millisecond + time.Duration(i)*period + time.Duration(rng.Int64N(40_000))
	}
	return f
}

func TestLateFramesAreTimedByTheirNeighbours(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	const period = 7021 * time.Microsecond
	want := regular(1100, period, rng)
	got := append([]drivers.Frame(nil), want...)
	// The computer stood still five times: what was due meanwhile came at the
	// end of it, all at once.
	for _, at := range []int{100, 300, 301, 640, 1080} {
		end := want[at+9].At
		for i := at; i < at+9; i++ {
			got[i].At = end
		}
	}
	punctual(got)
	for i := range got {
		assert.InDelta(t, want[i].At.Seconds(), got[i].At.Seconds(), 0.0021, "frame %d", i)
		if i > 0 {
			assert.LessOrEqual(t, got[i-1].At, got[i].At, "frame %d", i)
		}
	}
}

func TestFramesInTimeAreLeftAlone(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, f := range [][]drivers.Frame{nil, regular(3, 7*time.Millisecond, rng), regular(200, 7*time.Millisecond, rng), regular(50, 9*time.Millisecond, rng)} {
		before := append([]drivers.Frame(nil), f...)
		punctual(f)
		assert.Equal(t, before, f)
	}
}

// Even where most frames come late, the few that come in time say when all
// were due.
func TestBusyComputer(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	want := regular(400, 7*time.Millisecond, rng)
	got := append([]drivers.Frame(nil), want...)
	for i := 0; i < len(got); i += 20 { // looked at the port every 140 ms only
		for j := i; j < i+20; j++ {
			got[j].At = want[i+19].At
		}
	}
	punctual(got)
	for i := range got {
		assert.InDelta(t, want[i].At.Seconds(), got[i].At.Seconds(), 0.0021, "frame %d", i)
	}
}

// Where frames are missing, those behind the hole are not late.
func TestHolesStay(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	want := regular(300, 7013*time.Microsecond, rng)
	want = append(want[:100:100], want[102:]...) // two missing
	want = append(want[:200:200], want[201:]...) // and one
	got := append([]drivers.Frame(nil), want...)
	for i := 90; i < 99; i++ { // late before the hole
		got[i].At = got[98].At
	}
	got[150].At += 5 * time.Millisecond // and one by itself
	punctual(got)
	for i := range got {
		assert.InDelta(t, want[i].At.Seconds(), got[i].At.Seconds(), 0.0021, "frame %d", i)
	}
}
