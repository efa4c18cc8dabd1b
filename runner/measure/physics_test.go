package measure_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"fullthrow/drivers/sim"
)

// What is measured is what the handset has: readings against the physics that
// the simulation was given, at several severities.
func TestReadingsFollowThePhysics(t *testing.T) {
	worstOf := func(h *sim.Handset, f func(g sim.Gimbal) float64) (int, float64) {
		axis, worst := 0, math.Inf(-1)
		for i, g := range h.Gimbals {
			if v := f(g); v > worst {
				axis, worst = i, v
			}
		}
		return axis, worst
	}
	tests := []struct {
		defect string
		// want gives the reading's name, what it should be, and how near.
		want func(h *sim.Handset) (reading string, value, tolerance float64)
	}{
		{"leakage", func(h *sim.Handset) (string, float64, float64) { return "standby.current", h.Power.Leakage, 0.1e-6 }},
		{"excess-current", func(h *sim.Handset) (string, float64, float64) { return "running.current", h.Power.Running, 1e-4 }},
		{"high-inrush", func(h *sim.Handset) (string, float64, float64) {
			return "inrush.charge", h.Power.Inrush * h.Power.InrushTau, 0.03 * h.Power.Inrush * h.Power.InrushTau
		}},
		{"foreign-tone", func(h *sim.Handset) (string, float64, float64) {
			return "tune.foreign", 20 * math.Log10(h.Sounder.Foreign), 1
		}},
		{"slow-tempo", func(h *sim.Handset) (string, float64, float64) {
			return "tune.length", 100 * ((0.15/h.Sounder.Tempo-h.Sounder.Attack)/0.15 - 1), 2
		}},
		{"stick-play", func(h *sim.Handset) (string, float64, float64) {
			i, play := worstOf(h, func(g sim.Gimbal) float64 { return g.Play })
			return "sticks." + axes[i] + "_hysteresis", 100 * play * h.Gimbals[i].Gain / 2, 0.1
		}},
		{"stick-dead-band", func(h *sim.Handset) (string, float64, float64) {
			i, half := worstOf(h, func(g sim.Gimbal) float64 { return g.DeadBand })
			return "sticks." + axes[i] + "_dead_band", min(200*half, 12), 0.2
		}},
		{"stick-play", func(h *sim.Handset) (string, float64, float64) {
			i, play := worstOf(h, func(g sim.Gimbal) float64 { return g.Play })
			return "sticks." + axes[i] + "_play_width", 100 * play, 0.15
		}},
		{"stick-non-linear", func(h *sim.Handset) (string, float64, float64) {
			i, _ := worstOf(h, func(g sim.Gimbal) float64 { return math.Abs(g.Taper) })
			// At the swept points 0.4 and 0.6 the cubic has 0.998 and 0.873 of its top.
			return "sticks." + axes[i] + "_non_linearity", 100 * math.Abs(h.Gimbals[i].Taper) * h.Gimbals[i].Gain / 2, 0.2
		}},
		{"stick-short-end", func(h *sim.Handset) (string, float64, float64) {
			i, _ := worstOf(h, func(g sim.Gimbal) float64 { return -g.Gain })
			g := h.Gimbals[i]
			return "sticks." + axes[i] + "_high_end", 100 * (g.Gain*(1-g.Play/2) + g.Offset), 0.3
		}},
		{"stick-noise", func(h *sim.Handset) (string, float64, float64) {
			i, noise := worstOf(h, func(g sim.Gimbal) float64 { return g.Noise })
			return "sticks." + axes[i] + "_noise", 100 * noise, 0.05 + 8*noise
		}},
		{"slow-latency", func(h *sim.Handset) (string, float64, float64) {
			return "latency.mean", h.Latency.Fixed + h.Latency.Spread/2, 0.001
		}},
		{"link-lossy", func(h *sim.Handset) (string, float64, float64) { return "link.far_error_rate", 100 * h.Link.Floor, 5 }},
	}
	for _, tt := range tests {
		t.Run(tt.defect, func(t *testing.T) {
			d, err := sim.DefectNamed(tt.defect)
			if err != nil {
				t.Fatal(err)
			}
			for i, severity := range []float64{0.4, 0.8, 1.3} {
				rng := rand.New(rand.NewPCG(uint64(i), 3))
				h := sim.Good(rng)
				d.Apply(&h, severity, rng)
				got := newBench(t, uint64(i)).readings(h)
				name, want, tolerance := tt.want(&h)
				if v := got[name]; !(math.Abs(v-want) <= tolerance) {
					t.Errorf("severity %v: %s is %.5g, the handset has %.5g ± %.2g", severity, name, v, want, tolerance)
				}
			}
		})
	}
}
