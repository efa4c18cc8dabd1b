package serial

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
	"sync"
)

// element is one application identifier (AI) with its value.
type element struct{ ai, value string }

// gs is what a scanner sends for FNC1 within an element string.
const gs = "\x1d"

// gs1Symbologies are the symbology identifiers (ISO/IEC 15424) of carriers
// whose data are GS1 element strings: GS1-128, DataBar, Data Matrix, QR, DotCode.
var gs1Symbologies = []string{"]C1", "]e0", "]d2", "]Q3", "]J1"}

// aiLength is how many digits an application identifier has, by its first two.
func aiLength(two string) int {
	switch {
	case two >= "00" && two <= "22", two == "30", two == "37", two >= "90" && two <= "99":
		return 2
	case two >= "23" && two <= "25", two >= "40" && two <= "42", two == "71":
		return 3
	case two >= "31" && two <= "36", two == "39", two == "43", two == "70", two == "72", two >= "80" && two <= "82":
		return 4
	}
	return 0
}

// predefined is the length of AI and value together for the identifiers that
// need no FNC1 behind them (GS1 General Specifications, figure 7.8.5-2); 0 for
// all others.
func predefined(two string) int {
	switch {
	case two == "00":
		return 20
	case two >= "01" && two <= "03", two == "41":
		return 16
	case two == "04":
		return 18
	case two >= "11" && two <= "19":
		return 8
	case two == "20":
		return 4
	case two >= "31" && two <= "36":
		return 10
	}
	return 0
}

// readable finds "(01)" in the human-readable form.
var readable = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`\(([0-9]{2,4})\)`) })

// parseReadable splits the human-readable form, "(01)...(21)...".
func parseReadable(s string) ([]element, error) {
	at := readable().FindAllStringSubmatchIndex(s, -1)
	if len(at) == 0 || at[0][0] != 0 {
		return nil, errors.New("no application identifier at its beginning")
	}
	var out []element
	for i, m := range at {
		end := len(s)
		if i+1 < len(at) {
			end = at[i+1][0]
		}
		out = append(out, element{s[m[2]:m[3]], s[m[1]:end]})
	}
	return out, checkElements(out)
}

// parseElements splits an element string as a scanner sends it, without
// symbology identifier. A separator where none is needed is passed over.
func parseElements(s string) ([]element, error) {
	var out []element
	for s = strings.TrimPrefix(s, gs); s != ""; s = strings.TrimPrefix(s, gs) {
		if len(s) < 2 || aiLength(s[:2]) == 0 || len(s) < aiLength(s[:2]) || strings.Trim(s[:aiLength(s[:2])],
			"0123456789") != "" {
			return nil, errors.New("no known application identifier where one should be")
		}
		n := aiLength(s[:2])
		end := strings.Index(s, gs)
		if end < 0 {
			end = len(s)
		}
		if p := predefined(s[:2]); p > 0 {
			if end < p {
				return nil, fmt.Errorf("the value of (%s) is too short", s[:n])
			}
			end = p
		} else if end < n {
			return nil, errors.New("an application identifier is cut off")
		}
		out = append(out, element{s[:n], s[n:end]})
		s = s[end:]
	}
	if len(out) == 0 {
		return nil, errors.New("empty")
	}
	return out, checkElements(out)
}

// gs1Characters is character set 82 of the GS1 General Specifications (figure
// 7.11-1) for values.
const gs1Characters = `!"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz`

func checkElements(elements []element) error {
	for _, e := range elements {
		if len(e.ai) < 2 || aiLength(e.ai[:2]) != len(e.ai) {
			return fmt.Errorf("(%s) is no application identifier", e.ai)
		}
		if e.value == "" {
			return fmt.Errorf("(%s) has no value", e.ai)
		}
		if strings.Trim(e.value, gs1Characters) != "" {
			return fmt.Errorf("(%s) has a character that GS1 does not allow", e.ai)
		}
		if p := predefined(e.ai[:2]); p > 0 {
			if len(e.ai)+len(e.value) != p {
				return fmt.Errorf("the value of (%s) is not %d characters long", e.ai, p-len(e.ai))
			}
			if strings.Trim(e.value, "0123456789") != "" {
				return fmt.Errorf("the value of (%s) is not all digits", e.ai)
			}
		}
		switch e.ai {
		case "00", "01", "02", "03", "410", "411", "412", "413", "414", "415", "416", "417":
			if !gs1ChecksOut(e.value) {
				return fmt.Errorf("the check digit of (%s) does not fit", e.ai)
			}
		case "21":
			if len(e.value) > 20 {
				return errors.New("the value of (21) is longer than 20 characters")
			}
		}
	}
	return nil
}
