package archive

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"fullthrow/reports"
	"fullthrow/reports/recordtest"
)

// chainOf seals three reports in a new archive, which stays open.
func chainOf(t *testing.T) (*Archive, []Sealed) {
	t.Helper()
	a := openTest(t, t.TempDir())
	var list []Sealed
	for i := range 3 {
		list = append(list, sealTest(t, a, fmt.Sprint("r", i+1), recordtest.Events(reports.Passed)))
	}
	return a, list
}

// The archive proves each of its reports by the chain around it, whether it
// holds the archive open or reads it beside the station.
func TestCheckInTheChain(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(t *testing.T, a *Archive, list []Sealed)
		of    int // index of the report that is proved
		text  string
	}{
		{"the first", nil, 0, ""},
		{"the middle", nil, 1, ""},
		{"the newest", nil, 2, ""},
		{"the newest, no note of it", func(t *testing.T, a *Archive, _ []Sealed) { spoil(t, os.Remove(filepath.Join(a.Dir(), "chain"))) }, 2,
			"nothing proves that it is the newest"},
		{"another newest noted", func(t *testing.T, a *Archive, list []Sealed) {
			note := fmt.Sprintf(`{"number":3,"hash":%q,"file":%q}`, list[0].Seal.SHA256, list[2].File)
			spoil(t, os.WriteFile(filepath.Join(a.Dir(), "chain"), []byte(note), 0o644))
		}, 2, "it is not the report that was sealed last"},
		{"the one after is gone", func(t *testing.T, a *Archive, list []Sealed) {
			spoil(t, os.Remove(filepath.Join(a.Dir(), list[2].File)))
		}, 1, "report number 3"},
		{"the one before is gone", func(t *testing.T, a *Archive, list []Sealed) {
			spoil(t, os.Remove(filepath.Join(a.Dir(), list[0].File)))
		}, 1, "report number 1"},
		{"the one before was changed", func(t *testing.T, a *Archive, list []Sealed) {
			changeFile(t, filepath.Join(a.Dir(), list[1].File))
		}, 2, "report number 2"},
		{"the one after was changed", func(t *testing.T, a *Archive, list []Sealed) {
			changeFile(t, filepath.Join(a.Dir(), list[1].File))
		}, 0, "report number 2"},
		{"replaced by one of another station", func(t *testing.T, a *Archive, list []Sealed) {
			_, others := chainOf(t)
			list[1] = others[1]
		}, 1, "it is signed with another key than the station's"},
	} {
		t.Run(c.name, func(t *testing.T) {
			a, list := chainOf(t)
			if c.spoil != nil {
				c.spoil(t, a, list)
			}
			prove := func(how string, got SealCheck) {
				t.Helper()
				if !got.Own || got.Chain != (c.text == "") || (c.text == "") != (got.Text == "") || len(got.Text) < len(c.text) || got.Text[:len(c.text)] != c.text {
					t.Errorf("%s: %+v, want chain %v, %q", how, got, c.text == "", c.text)
				}
			}
			prove("live", a.Check(list[c.of]))
			dir := a.Dir()
			around, err := Around(dir, list[c.of])
			if err != nil {
				t.Fatal(err)
			}
			prove("beside the station", around.Check)
			a.Close()
			if around, err = Around(dir, list[c.of]); err != nil {
				t.Fatal(err)
			}
			prove("closed", around.Check)
			if c.spoil != nil {
				return
			}
			again := openTest(t, dir)
			defer again.Close()
			prove("opened again", again.Check(list[c.of]))
		})
	}
}

// A report that is sealed next is in the chain, and so is the one before it.
func TestCheckWhileSealing(t *testing.T) {
	a, list := chainOf(t)
	defer a.Close()
	next := sealTest(t, a, "r4", recordtest.Events(reports.Passed))
	for _, s := range append(list, next) {
		if got := a.Check(s); got != (SealCheck{Own: true, Chain: true}) {
			t.Errorf("number %d: %+v", s.Seal.Number, got)
		}
	}
	changed := next
	changed.Raw = append([]byte(nil), next.Raw...)
	changed.Raw[len(changed.Raw)/2] ^= 1
	if got := a.Check(changed); got.Own || got.Chain || got.Text == "" {
		t.Errorf("a changed report: %+v", got)
	}
}

func changeFile(t *testing.T, file string) {
	t.Helper()
	data, err := os.ReadFile(file)
	spoil(t, err)
	data[len(data)/2] ^= 1
	spoil(t, os.WriteFile(file, data, 0o644))
}

func spoil(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
