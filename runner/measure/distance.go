package measure

import (
	"math"

	"fullthrow/reports/statistics"
)

// DistanceOptions says over which path an attenuation is to be turned into a
// distance.
type DistanceOptions struct {
	Frequency float64 `unit:"Hz" range:"(0,)" help:"of the link"`
	// From the transmitter's antenna terminal to the receiver's.
	BenchLoss   float64 `unit:"dB" help:"of the bench besides its attenuator: cables, coupler, chamber"`
	AntennaGain float64 `unit:"dB" help:"of both antennas together in use, dBi"`
	Wood        float64 `unit:"m" range:"[0,)" help:"of the path that lie in woodland"`
	// The most that woodland can add is A1 f^alpha dB (f in MHz). What is taken where
	// nothing is given (Rio de Janeiro; the last grows with the frequency) is an example:
	// woods differ by several times that.
	WoodA1       float64 `unit:"dB" range:"[0,)" help:"A1 of ITU-R P.833; not given: 0.18"`
	WoodAlpha    float64 `unit:"1" range:"[0,)" help:"alpha of ITU-R P.833; not given: 0.752"`
	WoodSpecific float64 `unit:"dB/m" range:"[0,)" help:"of the first metres of woodland; not given: 0.05 at 900 MHz"`
}

// DistanceResult is the equivalent distance of an attenuation.
type DistanceResult struct {
	Distance  float64 `unit:"m" help:"between the antennas"`
	FreeSpace float64 `unit:"dB" help:"of the path loss due to distance (ITU-R P.525)"`
	Woodland  float64 `unit:"dB" help:"of it due to woodland (ITU-R P.833)"`
	FarField  bool    `help:"ten wavelengths or more; nearer, neither formula holds"`
}

const lightSpeed = 299792458.0 // m/s

// Distance is how far apart the two antennas would be in use for the same level
// at the receiver as with this attenuation (dB) on the bench: attenuation +
// BenchLoss + AntennaGain = free-space loss + woodland. The free-space loss is
// 20 lg(4 pi d f / c) of ITU-R P.525, exactly: the rounded "32.4" form is 0.048
// dB lower. Neither ground reflection nor fading is in it, so that the reach
// over ground is shorter.
//
// A loss that is not finite, a frequency not above 0, a negative Wood, and
// woodland figures below 0 are errors.
func Distance(attenuation float64, o DistanceOptions) (DistanceResult, error) {
	o, err := o.complete("distance", attenuation)
	if err != nil {
		return DistanceResult{}, err
	}
	loss := attenuation + o.BenchLoss + o.AntennaGain
	// Free space alone is the longest it can be; the woodland's most, less.
	inverse := func(loss float64) float64 { return math.Pow(10, loss/20) * lightSpeed / (4 * math.Pi * o.Frequency) }
	high := inverse(loss)
	low := inverse(loss - o.woodland(o.Wood))
	for range 200 {
		m := math.Sqrt(low * high)
		if !(m > low && m < high) {
			break
		}
		if o.pathLoss(m) < loss {
			low = m
		} else {
			high = m
		}
	}
	d := math.Sqrt(low * high)
	if !statistics.Finite(d) || d <= 0 {
		return DistanceResult{}, errorf("distance", "%v dB has no distance", loss)
	}
	return o.at(d), nil
}

// Attenuation is what the bench's attenuator must be set to, in dB, for the
// level of a distance in m; the other direction of [Distance]. It is negative
// where the bench itself already loses more.
func Attenuation(distance float64, o DistanceOptions) (float64, error) {
	o, err := o.complete("attenuation", distance)
	if err != nil {
		return 0, err
	}
	if distance <= 0 {
		return 0, errorf("attenuation", "distance is %v m", distance)
	}
	return o.pathLoss(distance) - o.BenchLoss - o.AntennaGain, nil
}

func (o DistanceOptions) complete(op string, of float64) (DistanceOptions, error) {
	if !statistics.Finite(of) {
		return o, errorf(op, "it is asked for %v", of)
	}
	return complete(op, o)
}

func (o DistanceOptions) at(d float64) DistanceResult {
	return DistanceResult{
		Distance: d, FreeSpace: o.freeSpace(d), Woodland: o.woodland(min(d, o.Wood)),
		FarField: d >= 10*lightSpeed/o.Frequency,
	}
}

func (o DistanceOptions) pathLoss(d float64) float64 {
	return o.freeSpace(d) + o.woodland(min(d, o.Wood))
}

func (o DistanceOptions) freeSpace(d float64) float64 {
	return 20 * math.Log10(4*math.Pi*d*o.Frequency/lightSpeed)
}

// woodland is the excess of d m of wood with one terminal in it:
// Am (1 - exp(-d gamma / Am)), Am = A1 f^alpha (ITU-R P.833-10, from memory).
func (o DistanceOptions) woodland(d float64) float64 {
	if d <= 0 {
		return 0
	}
	mega := o.Frequency / 1e6
	a1, alpha, specific := o.WoodA1, o.WoodAlpha, o.WoodSpecific
	if a1 == 0 && alpha == 0 {
		a1, alpha = 0.18, 0.752
	}
	if specific == 0 {
		specific = 0.05 * math.Pow(mega/900, 0.752)
	}
	most := a1 * math.Pow(mega, alpha)
	if most <= 0 {
		return 0
	}
	return -most * math.Expm1(-d*specific/most)
}
