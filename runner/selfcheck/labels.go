package selfcheck

import (
	"strings"

	"fullthrow/reports/serial"
)

func labels() map[string]Function {
	return map[string]Function{
		"serial.CheckMod3736": func(a *Args) (Figures, error) {
			c, err := serial.CheckMod3736(a.Text(0))
			return Figures{"check character": string(rune(c))}, err
		},
		"serial.CheckGS1": func(a *Args) (Figures, error) {
			c, err := serial.CheckGS1(a.Text(0))
			return Figures{"check digit": string(rune(c))}, err
		},
		// A label as scanned, ^ for FNC1. That it is refused is an answer.
		"serial.Format.ParseScan": func(a *Args) (Figures, error) {
			number, gtin, err := serial.Format{Product: "any"}.ParseScan(strings.ReplaceAll(a.Text(0), "^", "\x1d"))
			switch {
			case err == nil:
				return Figures{"serial number": number, "GTIN": gtin}, nil
			case strings.Contains(err.Error(), "not a sound GS1 label"):
				return Figures{"answer": "not a sound label"}, nil
			case strings.Contains(err.Error(), "has no serial number"):
				return Figures{"answer": "no serial number"}, nil
			}
			return nil, err
		},
	}
}
