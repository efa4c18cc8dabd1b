package selfcheck

import (
	"math"

	"fullthrow/drivers"
	"fullthrow/runner/measure"
)

// codes is a picture of one colour, 9 x 9 pixels.
func codes(r, g, b int) drivers.Picture {
	p := drivers.Picture{Width: 9, Height: 9}
	for range 81 {
		p.RGB = append(p.RGB, byte(r), byte(g), byte(b))
	}
	return p
}

// shape is a light of period 1 s and its brightness, 0 to 1, by name.
func shape(name string) func(t float64) float64 {
	return map[string]func(t float64) float64{
		"sine":     func(t float64) float64 { return (1 + math.Sin(2*math.Pi*t)) / 2 },
		"triangle": func(t float64) float64 { return math.Abs(2*(t-math.Floor(t)) - 1) },
		"square":   func(t float64) float64 { return math.Round(t + 0.1 - math.Floor(t+0.1)) },
	}[name]
}

func light() map[string]Function {
	return map[string]Function{
		// codes of red, green, blue
		"measure.Colour": func(a *Args) (Figures, error) {
			r, g, b := a.Whole(0), a.Whole(1), a.Whole(2)
			c, err := measure.Colour(codes(r, g, b), measure.ColourOptions{})
			if err != nil {
				return nil, err
			}
			n := max(r, g, b)
			white, err := measure.Colour(codes(n, n, n), measure.ColourOptions{})
			return Figures{"x": c.ChromaticityX, "y": c.ChromaticityY, "Y": c.Luminance / 100,
				"Y over white's": c.Luminance / white.Luminance, "wavelength": c.DominantWavelength, "hue": c.Hue,
				"purity": c.Purity / 100}, err
		},
		// "E", or temperature and second radiation constant of a Planckian
		"measure.Chromaticity": func(a *Args) (Figures, error) {
			power := func(float64) float64 { return 1 }
			if a.Len() > 1 {
				k, c2 := a.Number(0), a.Number(1)
				power = func(w float64) float64 { return math.Pow(w, -5) / math.Expm1(c2/(k*w)) }
			}
			x, y := measure.Chromaticity(power)
			return Figures{"x": x, "y": y}, nil
		},
		// a shape, sampled every ms for 5 s
		"measure.Blink": func(a *Args) (Figures, error) {
			f := shape(a.Text(0))
			if f == nil {
				a.bad(0, "a shape of light")
				return nil, nil
			}
			var list []measure.BlinkSample
			for i := range 5001 {
				t := float64(i) / 1000
				list = append(list, measure.BlinkSample{Time: t, Brightness: f(t)})
			}
			r, err := measure.Blink(list, measure.BlinkOptions{})
			return Figures{"flicker": r.PercentFlicker, "index": r.FlickerIndex, "period": r.Period, "duty": r.Duty}, err
		},
	}
}
