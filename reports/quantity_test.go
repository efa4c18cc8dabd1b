package reports

import (
	"math"
	"testing"
)

func TestFormatQuantity(t *testing.T) {
	tests := []struct {
		v    float64
		unit string
		want string
	}{
		{9.1e-6, "A", "9.1 µA"}, {0.0135, "s", "13.5 ms"}, {-42, "dB", "-42.0 dB"},
		{0.118, "A", "118 mA"}, {0.99996, "A", "1 A"}, {0.0009999, "V", "1 mV"},
		{2.4, "s", "2.4 s"}, {3600, "s", "3600 s"}, {60, "s", "60 s"},
		{1046.5022, "Hz", "1.05 kHz"}, {2.4415e9, "Hz", "2.44 GHz"},
		{20000, "Ohm", "20 kΩ"}, {1e-4, "F", "100 µF"}, {0, "A", "0 A"},
		{-0.00012, "V", "-120 µV"}, {1e-20, "A", "1e-05 fA"},
		{0.1234, "%", "0.123 %"}, {100, "%", "100 %"}, {-0.04, "dB", "0.0 dB"},
		{4, "1", "4"}, {12345, "", "12345"}, {0.98765, "1", "0.988"}, {1.5e-7, "1", "1.5e-07"},
		{90, "deg", "90°"}, {21.26, "Cel", "21.3 °C"}, {-3.2, "cent", "-3.2 cent"},
		{7.5, "furlong", "7.5 furlong"}, {-60.04, "dBm", "-60.0 dBm"},
		{math.NaN(), "A", "not a number"}, {math.Inf(1), "A", "infinite"}, {math.Inf(-1), "dB", "-infinite"},
	}
	for _, tt := range tests {
		if got := FormatQuantity(tt.v, tt.unit); got != tt.want {
			t.Errorf("FormatQuantity(%v, %q): got %q, want %q", tt.v, tt.unit, got, tt.want)
		}
	}
}

// A failing value must never read like the limit it failed.
func TestFormatQuantityBeside(t *testing.T) {
	tests := []struct {
		v, limit float64
		unit     string
		want     string
	}{
		{12.004e-6, 12e-6, "A", "12.004 µA"},
		{12e-6, 12e-6, "A", "12 µA"},
		{-42.04, -42, "dB", "-42.04 dB"},
		{0.5, 12e-6, "A", "500 mA"},
		{1.0000001, 1, "%", "1.0000001 %"},
	}
	for _, tt := range tests {
		if got := FormatQuantityBeside(tt.v, tt.limit, tt.unit); got != tt.want {
			t.Errorf("FormatQuantityBeside(%v, %v, %q): got %q, want %q", tt.v, tt.limit, tt.unit, got, tt.want)
		}
	}
}
