package scpi

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// SCPI's own infinity and not-a-number (SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5).
const (
	Infinity    = 9.9e37
	NotANumber  = 9.91e37
	specialFrom = 9.895e37 // what rounding to REAL,32 or to few digits may leave
	nanFrom     = 9.905e37
	nanTo       = 9.915e37
)

// special turns SCPI's infinity and not-a-number into Go's. IEEE infinities
// and NaN stay what they are.
func special(v float64) float64 {
	switch a := math.Abs(v); {
	case a < specialFrom:
		return v
	case a >= nanFrom && a < nanTo:
		return math.NaN()
	case a >= specialFrom:
		return math.Inf(int(math.Copysign(1, v)))
	}
	return v // NaN
}

// ParseNumber reads a number as instruments write it: integer or decimal with
// or without exponent, the words INF, NINF and NAN, and the non-decimal forms
// #B101, #Q17, #HFF. SCPI's 9.9E37 is +Inf, -9.9E37 is -Inf and 9.91E37 NaN
// (within rounding). Blanks at the ends are allowed, anything else is an error,
// and so is the empty text.
func ParseNumber(s string) (float64, error) {
	t := strings.TrimSpace(s)
	switch strings.ToUpper(t) {
	case "INF", "INFINITY", "+INF":
		return math.Inf(1), nil
	case "NINF", "NINFINITY", "-INF":
		return math.Inf(-1), nil
	case "NAN":
		return math.NaN(), nil
	}
	if len(t) > 2 && t[0] == '#' {
		base := map[byte]int{'B': 2, 'Q': 8, 'H': 16}[t[1]&^0x20]
		if base == 0 || t[2] == '+' || t[2] == '-' {
			return 0, fmt.Errorf("%.40q is not a number", s)
		}
		n, err := strconv.ParseUint(t[2:], base, 64)
		if err != nil {
			return 0, fmt.Errorf("%.40q is not a number", s)
		}
		return float64(n), nil
	}
	// ParseFloat takes more than 488.2 allows: hexadecimal, underscores, words.
	if strings.Trim(t, "0123456789+-.eE") != "" || strings.ContainsAny(t, "xX_ nNiI") {
		return 0, fmt.Errorf("%.40q is not a number", s)
	}
	v, err := strconv.ParseFloat(t, 64)
	if err != nil && !errors.Is(err, strconv.ErrRange) {
		return 0, fmt.Errorf("%.40q is not a number", s)
	}
	return special(v), nil
}

// formatNumber writes v with as many digits as it needs: 3.7, 1E-05.
func formatNumber(v float64) string { return strconv.FormatFloat(v, 'G', -1, 64) }
