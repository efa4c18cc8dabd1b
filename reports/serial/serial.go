package serial

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"

	"fullthrow/reports"
)

// CheckCharacter values of a [SerialFormat].
const (
	NoCheckCharacter = "none"
	Mod3736          = "iso7064-mod37-36"
)

// SerialFormat says what the serial numbers of a product look like.
type Format struct {
	Product string
	// Pattern is a regular expression (RE2 syntax) for the whole serial
	// number but its check character. A group named "lot" gives the lot:
	// "K8(?P<lot>[0-9]{2}[A-Z])[0-9]{5}". Empty admits any of 1 to 64
	// letters, digits, "-", "_" and ".".
	Pattern string
	// CheckCharacter is "none" (or "") or "iso7064-mod37-36": the last
	// character of the serial number is the check character of the rest.
	CheckCharacter string
	// GTIN of the product, 8, 12, 13 or 14 digits; a scanned label that
	// carries another one is refused. Empty to accept any.
	GTIN string
	// Example is a serial number for hints.
	Example string
}

// Check says what is wrong with the format itself.
func (f Format) Check() error {
	if _, err := f.compile(); err != nil {
		return err
	}
	if !slices.Contains([]string{"", NoCheckCharacter, Mod3736}, f.CheckCharacter) {
		return reports.Hinted(fmt.Errorf("serial format: check character %.40q is not known", f.CheckCharacter),
			`"none" or "iso7064-mod37-36"`)
	}
	if f.GTIN != "" {
		if !slices.Contains([]int{8, 12, 13, 14}, len(f.GTIN)) || !gs1ChecksOut(f.GTIN) {
			return reports.Hinted(fmt.Errorf("serial format: GTIN %.40q is none", f.GTIN),
				"8, 12, 13 or 14 digits, of which the last is the check digit")
		}
	}
	if f.Example != "" {
		if _, _, err := f.ParseScan(f.Example); err != nil {
			return fmt.Errorf("serial format: the example is refused: %w", err)
		}
	}
	return nil
}

func (f Format) compile() (*regexp.Regexp, error) {
	p := f.Pattern
	if p == "" {
		p = ".*"
	}
	re, err := regexp.Compile(`^(?:` + p + `)$`)
	if err != nil {
		return nil, fmt.Errorf("serial format: pattern: %w", err)
	}
	return re, nil
}

// body is the serial number without its check character.
func (f Format) body(serial string) string {
	if f.CheckCharacter == Mod3736 && serial != "" {
		return serial[:len(serial)-1]
	}
	return serial
}

// Lot is the lot named in a serial number that ParseScan accepted, "" if the
// format has none.
func (f Format) Lot(serial string) string {
	re, err := f.compile()
	if err != nil {
		return ""
	}
	i := re.SubexpIndex("lot")
	if m := re.FindStringSubmatch(f.body(serial)); m != nil && i >= 0 {
		return m[i]
	}
	return ""
}

// ParseScan reads what a scanner or a keyboard gave: a plain serial number, or
// a GS1 element string with (21) and perhaps (01), as scanners send it (with or
// without symbology identifier, GS for FNC1) or in its human-readable form with
// parentheses. gtin is 14 digits, "" if the label has none.
//
// Spaces and line ends around it are dropped; small letters become capitals
// where only so the format fits. Every error is a [*HintedError] that shows at
// most 40 characters of what was read, and no control character.
func (f Format) ParseScan(raw string) (serial, gtin string, err error) {
	re, err := f.compile()
	if err != nil {
		return "", "", err
	}
	s := strings.Trim(raw, " \r\n\t")
	again := "scan the label of the unit again"
	if f.Example != "" {
		again += ", or type the serial number; it looks like " + f.Example
	}
	refuse := func(format string, args ...any) (string, string, error) {
		return "", "", reports.Hinted(fmt.Errorf("serial number: "+format, args...), again)
	}
	symbology := slices.IndexFunc(gs1Symbologies, func(id string) bool { return strings.HasPrefix(s, id) })
	fits := func(s string) bool { return re.MatchString(f.body(s)) }
	var elements []element
	switch {
	case s == "":
		return refuse("nothing was read")
	case len(s) > 200:
		return refuse("%d characters were read, starting with %s: that is no serial number", len(s), shown(s))
	case symbology >= 0:
		elements, err = parseElements(s[len(gs1Symbologies[symbology]):])
	case strings.Contains(s, gs):
		elements, err = parseElements(s)
	case strings.HasPrefix(s, "("):
		elements, err = parseReadable(s)
	case bareElements().MatchString(s) && !fits(s) && !fits(strings.ToUpper(s)):
		elements, err = parseElements(s)
	default:
		serial = s
	}
	if err != nil {
		return refuse("%s is not a sound GS1 label: %w", shown(s), err)
	}
	for _, e := range elements {
		switch {
		case e.ai == "21" && serial != "" || e.ai == "01" && gtin != "":
			return refuse("%s has (%s) twice", shown(s), e.ai)
		case e.ai == "21":
			serial = e.value
		case e.ai == "01":
			gtin = e.value
		}
	}
	if elements != nil && serial == "" {
		return refuse("%s has no serial number, (21)", shown(s))
	}
	if err := harmless(serial); err != nil {
		return refuse("%s: %w", shown(s), err)
	}
	if want := f.GTIN; want != "" && gtin != "" && gtin != strings.Repeat("0", 14-min(14, len(want)))+want {
		return "", "", reports.Hinted(fmt.Errorf("serial number: the label belongs to GTIN %s, not to %s", gtin,
			shown(f.Product)),
			"this is another product: put it aside, or choose its plan")
	}
	if upper := strings.ToUpper(serial); !fits(serial) || f.CheckCharacter == Mod3736 && fits(upper) {
		serial = upper // the alphabet of the check character has capitals only
	}
	if !fits(serial) {
		return refuse("%s is not one of %s", shown(serial), shown(f.Product))
	}
	if f.CheckCharacter == Mod3736 {
		if !checksOut(serial) {
			// The right character is not told: it would be typed, and a
			// wrong digit before it would stay.
			return refuse("%s: its check character does not fit", shown(serial))
		}
	}
	return serial, gtin, nil
}

// bareElements finds an element string sent without symbology identifier.
var bareElements = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^01[0-9]{14}`) })

// harmless refuses what must never become a name, a path, markup or a
// formula, whatever the pattern of the product says.
func harmless(s string) error {
	if len(s) > 64 {
		return errors.New("longer than 64 characters")
	}
	for _, r := range s {
		switch {
		case r < ' ' || r == 0x7f:
			return errors.New("has a control character")
		case r >= '0' && r <= '9', r >= 'A' && r <= 'Z', r >= 'a' && r <= 'z', r == '-', r == '_', r == '.':
		default:
			return errors.New("has a character other than letters, digits, dot, - and _")
		}
	}
	if s == "" || strings.Contains(s, "..") || s[0] == '-' || s[0] == '.' || s[0] == '_' {
		return errors.New("does not begin like a serial number")
	}
	return nil
}

// shown is what was read, for an error: in quotes, at most 40 characters, and
// a dot for what cannot be printed in ASCII.
func shown(s string) string {
	out := make([]byte, 0, 40)
	for _, r := range s {
		if len(out) == 37 {
			out = append(out, "..."...)
			break
		}
		if r < ' ' || r > '~' || r == '<' || r == '>' || r == '&' || r == '"' {
			r = '.'
		}
		out = append(out, byte(r))
	}
	return "'" + string(out) + "'"
}
