package serial

import (
	"errors"
	"strings"
	"testing"

	"fullthrow/reports"
)

func kittiwake() Format {
	return Format{Product: "kittiwake-k8", Pattern: `K8(?P<lot>[0-9]{2}[A-Z])[0-9]{5}`, CheckCharacter: Mod3736, GTIN: "09520123456788", Example: sample}
}

// sample is a serial number of the invented product.
var sample, _ = AppendMod3736("K824A00017")

func TestCheckMod3736(t *testing.T) {
	// A12425GABC1234002M: the Global Release Identifier of ISO/IEC 7064 MOD
	// 37,36 in the documentation of python-stdnum, module iso7064.mod_37_36.
	if c, err := CheckMod3736("A12425GABC1234002"); err != nil || c != 'M' {
		t.Errorf("got %c (%v), want M", c, err)
	}
	for _, bad := range []string{"", "a", "K8-1", "K8\x00", "É"} {
		if _, err := CheckMod3736(bad); err == nil {
			t.Errorf("%q: no error", bad)
		}
	}
	// The system's promise: every single wrong character is found.
	for i := range sample {
		for _, c := range alphabet36 {
			if s := sample[:i] + string(c) + sample[i+1:]; checksOut(s) != (s == sample) {
				t.Errorf("%s for %s: not found", s, sample)
			}
		}
	}
}

func TestCheckGS1(t *testing.T) {
	for digits, want := range map[string]byte{
		"629104150021":      '3', // gs1.org, calculation example (from memory, re-computed)
		"1234567890123":     '1', // GS1 syntax engine, lint_csum.c
		"123456789012":      '8', // the same
		"41600033610":       '8', // the same
		"12345678901234567": '5', // the same, SSCC
		"0234567":           '3', // the same, GTIN-8
		"7351353":           '7', // python-stdnum, ean
	} {
		if c, err := CheckGS1(digits); err != nil || c != want {
			t.Errorf("%s: got %c (%v), want %c", digits, c, err, want)
		}
	}
	if _, err := CheckGS1("12a"); err == nil {
		t.Error("a letter: no error")
	}
}

// Element strings of the GS1 syntax engine (ai.c, dl.c); ^ stands for FNC1.
func TestElements(t *testing.T) {
	for _, tt := range []struct {
		in, want, err string
	}{
		{"(01)12345678901231", "01=12345678901231", ""},
		{"^0112345678901231", "01=12345678901231", ""},
		{"(01)12345678901231(10)12345", "01=12345678901231 10=12345", ""},
		{"^01123456789012311012345", "01=12345678901231 10=12345", ""},
		{"(10)12345(11)991225", "10=12345 11=991225", ""},
		{"^1012345^11991225", "10=12345 11=991225", ""},
		{"^01095201234567882112345", "01=09520123456788 21=12345", ""},
		{"^0109520123456788^2112345", "01=09520123456788 21=12345", ""}, // superfluous FNC1
		{"^0112345678901234", "", "check digit"},
		{"^011234567890123", "", "too short"},
		{"^99~ABC", "", "character"},
		{"(10)(11)98765", "", "no value"},
		{"(0", "", "no application identifier"},
		{"^", "", "empty"},
		{"^21123456789012345678901", "", "longer than 20"},
		{"^11ABCDEF", "", "not all digits"},
		{"^85x", "", "no known application identifier"},
		{"^24\x01", "", "no known application identifier"}, // found by fuzzing: the character was echoed
	} {
		parse := parseElements
		if strings.HasPrefix(tt.in, "(") {
			parse = parseReadable
		}
		elements, err := parse(strings.ReplaceAll(tt.in, "^", gs))
		got := ""
		for _, e := range elements {
			got += " " + e.ai + "=" + e.value
		}
		switch {
		case tt.err == "" && (err != nil || strings.TrimSpace(got) != tt.want):
			t.Errorf("%s: got %s (%v), want %s", tt.in, got, err, tt.want)
		case tt.err != "" && (err == nil || !strings.Contains(err.Error(), tt.err)):
			t.Errorf("%s: got %s (%v), want error %q", tt.in, got, err, tt.err)
		}
	}
}

func TestParseScan(t *testing.T) {
	f := kittiwake()
	if err := f.Check(); err != nil {
		t.Fatal(err)
	}
	const gtin = "09520123456788"
	for _, tt := range []struct {
		name, raw, gtin string
	}{
		{"plain", sample, ""},
		{"with line end", " " + sample + "\r\n", ""},
		{"small letters", strings.ToLower(sample), ""},
		{"Data Matrix", "]d201" + gtin + "21" + sample, gtin},
		{"GS1-128 with separators", "]C1" + "10A1" + gs + "01" + gtin + "21" + sample + gs + "17270101", gtin},
		{"QR, serial number only", "]Q321" + sample, ""},
		{"leading FNC1", gs + "01" + gtin + "21" + sample, gtin},
		{"no symbology identifier", "01" + gtin + "21" + sample, gtin},
		{"human-readable", "(01)" + gtin + "(21)" + sample, gtin},
		{"human-readable, other order", "(21)" + sample + "(01)" + gtin, gtin},
	} {
		serial, got, err := f.ParseScan(tt.raw)
		if err != nil || serial != sample || got != tt.gtin {
			t.Errorf("%s: got %q, %q, %v; want %q, %q", tt.name, serial, got, err, sample, tt.gtin)
		}
	}
	if lot := f.Lot(sample); lot != "24A" {
		t.Errorf("lot %q, want 24A", lot)
	}
	// A format whose serial numbers have small letters keeps them.
	mixed := Format{Product: "p", Pattern: `[a-z]{2}[0-9]+`}
	if s, _, err := mixed.ParseScan("ab12"); err != nil || s != "ab12" {
		t.Errorf("got %q, %v; want ab12", s, err)
	}
}

func TestParseScanRefuses(t *testing.T) {
	wrong := "A"
	if strings.HasSuffix(sample, "A") {
		wrong = "B"
	}
	for _, tt := range []struct{ name, raw, want string }{
		{"nothing", " \r\n", "nothing was read"},
		{"wrong check character", sample[:len(sample)-1] + wrong, "check character"},
		{"digits exchanged", "K824A00071" + sample[10:], "check character"},
		{"another product", "Q1234567", "is not one of"},
		{"another product's GTIN", "]d20112345678901231" + "21" + sample, "belongs to GTIN"},
		{"GTIN without serial number", "]d20109520123456788", "no serial number"},
		{"GTIN damaged", "]d20109520123456789" + "21" + sample, "check digit"},
		{"serial number twice", "(21)" + sample + "(21)" + sample, "twice"},
		{"path", "../../etc/passwd", "character other"},
		{"dots", "K8..24", "begin"},
		{"markup", "<script>alert(1)</script>", "character other"},
		{"formula", "=1+1", "character other"},
		{"minus", "-K824A00017", "begin"},
		{"control character", "K8\x1b[31m24A", "control"},
		{"zero", "K8\x00", "control"},
		{"GS in a plain number", "K8\x1d24", "GS1"},
		{"long", strings.Repeat("K", 65), "64"},
		{"very long", strings.Repeat("K", 100000), "100000 characters"},
		{"not ASCII", "K824Ä00017", "character other"},
		{"right to left", "K8\u202e24A", "character other"},
		{"not UTF-8", "K8\xff\xfe", "character other"},
	} {
		for _, f := range []Format{kittiwake(), {Product: "any", Pattern: `(?s).*`}} {
			s, _, err := f.ParseScan(tt.raw)
			if err == nil {
				if f.Product == "any" && !strings.Contains("check character, is not one of, belongs to GTIN", tt.want) {
					t.Errorf("%s: accepted as %q by a pattern that admits anything", tt.name, s)
				}
				continue
			}
			if f.Product != "any" && !strings.Contains(err.Error(), tt.want) {
				t.Errorf("%s: got %v, want ...%s...", tt.name, err, tt.want)
			}
			checkScanError(t, tt.raw, err)
		}
	}
	for name, f := range map[string]Format{
		"pattern":         {Pattern: "("},
		"check character": {CheckCharacter: "luhn"},
		"GTIN":            {GTIN: "09520123456789"},
		"example":         {Pattern: "K[0-9]", Example: "Q1"},
	} {
		if err := f.Check(); err == nil {
			t.Errorf("a format with a wrong %s is accepted", name)
		}
	}
}

func checkScanError(t *testing.T, raw string, err error) {
	t.Helper()
	var hint *reports.HintedError
	if !errors.As(err, &hint) || hint.Hint == "" {
		t.Errorf("%q: %v: no hint", raw, err)
	}
	text := err.Error()
	if strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r > '~' || r == '<' }) {
		t.Errorf("%q: the error echoes %q", raw, text)
	}
	if len(text) > 200 {
		t.Errorf("%q: the error is %d characters long", raw, len(text))
	}
}

func FuzzParseScan(f *testing.F) {
	for _, s := range []string{sample, "]d20109520123456788" + "21" + sample, "(01)09520123456788(21)" + sample, "../x", gs + gs, "]C1", "(21)"} {
		f.Add(s)
	}
	formats := []Format{kittiwake(), {Product: "any"}, {Product: "anything", Pattern: "(?s).*"}}
	f.Fuzz(func(t *testing.T, raw string) {
		for _, format := range formats {
			s, gtin, err := format.ParseScan(raw)
			if err != nil {
				checkScanError(t, raw, err)
				continue
			}
			if harmless(s) != nil || gtin != "" && !gs1ChecksOut(gtin) {
				t.Fatalf("%q: accepted %q, %q", raw, s, gtin)
			}
			if format.CheckCharacter == Mod3736 && !checksOut(s) {
				t.Fatalf("%q: accepted %q without its check character", raw, s)
			}
		}
	})
}
