package measure

import "math"

// WindowFigures is what a window does to a tone and to noise.
type WindowFigures struct {
	Name           string
	Gain           float64 // coherent gain: the mean of the window
	NoiseBandwidth float64 // bins, equivalent noise bandwidth

	window cosineWindow
}

// Error is the level error in dB of a tone so many bins off the middle of its
// bin, before it is corrected for; at half a bin, the scallop loss with its sign.
func (w WindowFigures) Error(bins float64) float64 {
	return 20 * math.Log10(w.window.lobe(bins)/w.window.lobe(0))
}

// Windows lists the windows that [TonesOptions] can name, with the figures that
// tones and noise are corrected by.
func Windows() []WindowFigures {
	all := make([]WindowFigures, len(windows))
	for i, w := range windows {
		all[i] = WindowFigures{Name: w.name, Gain: w.gain(), NoiseBandwidth: w.noiseBandwidth(), window: w}
	}
	return all
}
