package drivers

import "time"

// TimeOut is until when something is waited for. It prints as the time it was
// set to, whatever of it is left. See [Within].
type TimeOut struct {
	end   time.Time
	of    time.Duration
	clock Clock
}

// Within is the time-out d from now on.
func Within(clock Clock, d time.Duration) TimeOut { return TimeOut{clock.Now().Add(d), d, clock} }

// Left is what is left of it, never below 0.
func (t TimeOut) Left() time.Duration { return max(0, t.end.Sub(t.clock.Now())) }

// Passed says whether nothing is left of it.
func (t TimeOut) Passed() bool { return !t.clock.Now().Before(t.end) }

// Sooner is the one that ends first.
func (t TimeOut) Sooner(u TimeOut) TimeOut {
	if u.end.Before(t.end) {
		return u
	}
	return t
}

func (t TimeOut) String() string { return t.of.String() }
