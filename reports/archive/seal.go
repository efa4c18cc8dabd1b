package archive

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"

	"fullthrow/reports"
)

// Seal ties a report to the station and to the report before it. All texts are
// lower-case hex.
type Seal struct {
	Number    int64  `json:"number"`    // 1, 2, 3, ... within the archive
	Previous  string `json:"previous"`  // SHA256 of the report with the number before, "" for the first
	SHA256    string `json:"sha256"`    // of kind, Number, Previous and the record's bytes, see [sealHash]
	Key       string `json:"key"`       // the station's public Ed25519 key, 32 bytes
	Signature string `json:"signature"` // Ed25519 over the 32 bytes of SHA256
}

// Sealed is a sealed report. Its file is one JSON object:
//
//	{"report":{...},"seal":{"number":1,"previous":"","sha256":"...","key":"...","signature":"..."}}
type Sealed struct {
	Report reports.Report
	Seal   Seal
	Raw    []byte // the report as it stands in the file
	File   string // as it was opened; within the archive, with slashes, from [Archive]
}

const (
	fileHead = `{"report":`
	fileMid  = `,"seal":`
	fileTail = "}\n"
)

// The kinds of record that are sealed.
const (
	kindReport = "report"
	kindRepair = "repair"
)

// form is how the hash of a seal was made.
type form int

const (
	formNone     form = iota // the hash is of something else
	formLinked               // of Previous and the record: by earlier versions, whose number the chain alone proves
	formNumbered             // of kind, Number, Previous and the record
)

// sealHash is what a station signs: a seal of one kind or number proves nothing
// of another.
func sealHash(kind string, number int64, previous string, raw []byte) [sha256.Size]byte {
	return hashOf(fmt.Sprintf("fullthrow-seal/2\n%s\n%d\n%s\n", kind, number, previous), raw)
}

// linkHash is what earlier versions signed.
func linkHash(previous string, raw []byte) [sha256.Size]byte { return hashOf(previous+"\n", raw) }

func hashOf(head string, raw []byte) [sha256.Size]byte {
	h := sha256.New()
	h.Write([]byte(head))
	h.Write(raw)
	return [sha256.Size]byte(h.Sum(nil))
}

// isHash says whether a text is a SHA-256.
func isHash(s string) bool {
	b, err := hex.DecodeString(s)
	return err == nil && len(b) == sha256.Size
}

// newSeal seals raw as the next after the record whose hash is previous.
func newSeal(kind string, raw []byte, number int64, previous string, key ed25519.PrivateKey) Seal {
	sum := sealHash(kind, number, previous, raw)
	return Seal{
		Number:    number,
		Previous:  previous,
		SHA256:    hex.EncodeToString(sum[:]),
		Key:       hex.EncodeToString(key.Public().(ed25519.PublicKey)),
		Signature: hex.EncodeToString(ed25519.Sign(key, sum[:])),
	}
}

// prove checks that raw, a report or repair, is what was sealed, and says in
// which form.
func (s Seal) prove(raw []byte, kind string) (form, error) {
	changed := fmt.Errorf("%w: the %s was changed after it was sealed", ErrSeal, kind)
	if s.Previous != "" && !isHash(s.Previous) { // else what is before raw could be anything
		return formNone, changed
	}
	f, sum := formNumbered, sealHash(kind, s.Number, s.Previous, raw)
	if s.SHA256 != hex.EncodeToString(sum[:]) {
		f, sum = formLinked, linkHash(s.Previous, raw)
	}
	if s.SHA256 != hex.EncodeToString(sum[:]) {
		return formNone, changed
	}
	if !signed(s.Key, s.Signature, sum[:]) {
		return formNone, fmt.Errorf("%w: the signature is not the key's", ErrSeal)
	}
	return f, nil
}

// signed says whether the key, as text, has signed what.
func signed(key, signature string, what []byte) bool {
	k, err1 := hex.DecodeString(key)
	sig, err2 := hex.DecodeString(signature)
	return err1 == nil && err2 == nil && len(k) == ed25519.PublicKeySize && ed25519.Verify(k, what, sig)
}

// seal makes the content of a sealed report's file.
func seal(raw []byte, number int64, previous string, key ed25519.PrivateKey) (Seal, []byte, error) {
	s := newSeal(kindReport, raw, number, previous, key)
	file, err := envelope(fileHead, raw, s)
	return s, file, err
}

// envelope puts a record and its seal together; head opens the record.
func envelope(head string, raw []byte, s Seal) ([]byte, error) {
	tail, err := json.Marshal(s)
	if err != nil {
		return nil, err
	}
	return bytes.Join([][]byte{[]byte(head), raw, []byte(fileMid), tail, []byte(fileTail)}, nil), nil
}

// ErrSeal is in the chain of every error of a file whose seal does not fit.
var ErrSeal = errors.New("the seal does not fit")

// Load reads a sealed report and proves it against its own seal: the hash and
// the signature, by the key the seal names. Whether that is the station's key,
// and whether the report is in its place in the chain, only [Verify] can tell.
func Load(path string) (Sealed, error) {
	data, err := readBounded(path, maxReport)
	if err != nil {
		return Sealed{}, fmt.Errorf("report: %w", err)
	}
	s, err := parseSealed(data)
	if err != nil {
		return Sealed{}, fmt.Errorf("report: %s: %w", path, err)
	}
	s.File = path
	return s, nil
}

// parseSealed reads the content of a sealed report's file. Only the exact form
// that seal writes is accepted: anything else was not written by a station.
func parseSealed(data []byte) (Sealed, error) {
	s, _, err := parseForm(data)
	return s, err
}

// parseQuickly reads a file in the exact form, going through the report once. Not
// ok is whatever else it may be: what is wrong with it is said by who reads slowly.
func parseQuickly(data []byte) (s Sealed, ok bool) {
	at := bytes.LastIndex(data, []byte(fileMid))
	if at < len(fileHead) || !bytes.HasPrefix(data, []byte(fileHead)) || !bytes.HasSuffix(data, []byte(fileTail)) {
		return s, false
	}
	tail := data[at+len(fileMid) : len(data)-len(fileTail)]
	s.Raw = data[len(fileHead):at:at]
	if !bytes.HasPrefix(s.Raw, []byte("{")) || !bytes.HasSuffix(s.Raw, []byte("}")) {
		return s, false
	}
	if json.Unmarshal(tail, &s.Seal) != nil {
		return s, false
	}
	same, err := json.Marshal(s.Seal)
	return s, err == nil && bytes.Equal(same, tail) && json.Unmarshal(s.Raw, &s.Report) == nil &&
		s.Report.Schema == reports.Schema
}

// parseForm is parseSealed, which also says in which form it was sealed.
func parseForm(data []byte) (Sealed, form, error) {
	if s, ok := parseQuickly(data); ok {
		proved, err := s.Seal.prove(s.Raw, kindReport)
		if err != nil {
			return Sealed{}, formNone, err
		}
		return s, proved, nil
	}
	var f struct {
		Report json.RawMessage `json:"report"`
		Seal   *Seal           `json:"seal"`
	}
	if err := json.Unmarshal(data, &f); err != nil {
		return Sealed{}, formNone, fmt.Errorf("not a sealed report: %w", err)
	}
	if f.Report == nil || f.Seal == nil {
		return Sealed{}, formNone, errors.New("not a sealed report: report or seal is missing")
	}
	var id struct {
		Schema string `json:"schema"`
	}
	if err := json.Unmarshal(f.Report, &id); err != nil {
		return Sealed{}, formNone, fmt.Errorf("not a sealed report: %w", err)
	}
	if id.Schema != reports.Schema {
		return Sealed{}, formNone, fmt.Errorf("layout %.40q is not %q: read it with the version that wrote it", id.Schema,
			reports.Schema)
	}
	s := Sealed{Raw: f.Report, Seal: *f.Seal}
	if err := json.Unmarshal(f.Report, &s.Report); err != nil {
		return Sealed{}, formNone, fmt.Errorf("report: %w", err)
	}
	if same, err := envelope(fileHead, f.Report, s.Seal); err != nil || !bytes.Equal(same, data) {
		return Sealed{}, formNone, fmt.Errorf("%w: the file is not in the form it was sealed in", ErrSeal)
	}
	proved, err := s.Seal.prove(s.Raw, kindReport)
	if err != nil {
		return Sealed{}, formNone, err
	}
	return s, proved, nil
}
