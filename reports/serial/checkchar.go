package serial

import (
	"fmt"
	"strings"
)

// alphabet36 gives the letters and digits of ISO/IEC 7064 their values.
const alphabet36 = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"

// CheckMod3736 is the check character of s by ISO/IEC 7064, MOD 37,36: a
// digit or upper-case letter. It finds every single wrong character and nearly
// every exchange of neighbours. s is one or more digits and upper-case letters;
// anything else is an error.
func CheckMod3736(s string) (byte, error) {
	const m = 36
	if s == "" {
		return 0, fmt.Errorf("check character: nothing to check")
	}
	p := m
	for i := range len(s) {
		a := strings.IndexByte(alphabet36, s[i])
		if a < 0 {
			return 0, fmt.Errorf("check character: character %d is not a digit or capital letter", i+1)
		}
		p = (p + a) % m
		if p == 0 {
			p = m
		}
		p = p * 2 % (m + 1)
	}
	return alphabet36[(m+1-p)%m], nil
}

// AppendMod3736 is s with its check character.
func AppendMod3736(s string) (string, error) {
	c, err := CheckMod3736(s)
	if err != nil {
		return "", err
	}
	return s + string(c), nil
}

// checksOut reports whether s ends in its MOD 37,36 check character.
func checksOut(s string) bool {
	if len(s) < 2 {
		return false
	}
	c, err := CheckMod3736(s[:len(s)-1])
	return err == nil && c == s[len(s)-1]
}

// CheckGS1 is the check digit of the digits of a GTIN, SSCC and the like, by
// the GS1 General Specifications, section 7.9: weights 3 and 1 from the right,
// modulo 10.
func CheckGS1(digits string) (byte, error) {
	if digits == "" {
		return 0, fmt.Errorf("check digit: nothing to check")
	}
	sum, weight := 0, 3
	for i := len(digits) - 1; i >= 0; i-- {
		d := digits[i]
		if d < '0' || d > '9' {
			return 0, fmt.Errorf("check digit: character %d is not a digit", i+1)
		}
		sum += int(d-'0') * weight
		weight = 4 - weight
	}
	return '0' + byte((10-sum%10)%10), nil
}

func gs1ChecksOut(s string) bool {
	if len(s) < 2 {
		return false
	}
	c, err := CheckGS1(s[:len(s)-1])
	return err == nil && c == s[len(s)-1]
}
