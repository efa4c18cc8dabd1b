package sim

import (
	"math"
	"time"
)

// loss is the chance that a packet is lost at a level (dBm), outside bursts.
func (l *Link) loss(level float64) float64 {
	if !l.Transmits {
		return 1
	}
	slope := max(l.Slope, 1e-6)
	return max(l.Floor, 1/(1+math.Exp((level-l.Sensitivity)/slope)))
}

// level is what the receiver gets through the attenuator, in dBm.
func (l *Link) level(attenuation float64) float64 { return l.Power - l.Loss - attenuation }

// step is a setting of the attenuator.
type step struct {
	at time.Duration
	dB float64
}

// channel is the state of the radio channel, followed packet by packet.
type channel struct {
	key   uint64
	burst bool
	cache struct{ dB, loss float64 }
	valid bool
}

// heard takes packet n and says whether it comes through.
func (c *channel) heard(l *Link, n uint64, attenuation float64) bool {
	if l.Enter > 0 {
		u := unit(c.key^0xb0, n)
		if c.burst {
			c.burst = u >= l.Leave
		} else {
			c.burst = u < l.Enter
		}
	}
	if !c.valid || c.cache.dB != attenuation {
		c.cache.dB, c.cache.loss, c.valid = attenuation, l.loss(l.level(attenuation)), true
	}
	p := c.cache.loss
	if c.burst {
		p = max(p, l.InBurst)
	}
	if p < 1e-12 {
		return true
	}
	return unit(c.key, n) >= p
}
