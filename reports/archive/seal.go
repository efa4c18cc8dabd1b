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
	Number    int64  `json:"number"`    // 1, 2, 3, ... within the archive; proved by the chain, not by the signature
	Previous  string `json:"previous"`  // SHA256 of the report with the number before, "" for the first
	SHA256    string `json:"sha256"`    // of Previous, a newline, and the report's bytes as they stand in the file
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

func chainHash(previous string, raw []byte) [sha256.Size]byte {
	h := sha256.New()
	h.Write([]byte(previous + "\n"))
	h.Write(raw)
	return [sha256.Size]byte(h.Sum(nil))
}

// newSeal seals raw as the next after the record whose hash is previous.
func newSeal(raw []byte, number int64, previous string, key ed25519.PrivateKey) Seal {
	sum := chainHash(previous, raw)
	return Seal{
		Number:    number,
		Previous:  previous,
		SHA256:    hex.EncodeToString(sum[:]),
		Key:       hex.EncodeToString(key.Public().(ed25519.PublicKey)),
		Signature: hex.EncodeToString(ed25519.Sign(key, sum[:])),
	}
}

// prove checks that raw, a report or repair, is what was sealed.
func (s Seal) prove(raw []byte, what string) error {
	sum := chainHash(s.Previous, raw)
	if s.SHA256 != hex.EncodeToString(sum[:]) {
		return fmt.Errorf("%w: the %s was changed after it was sealed", ErrSeal, what)
	}
	key, err1 := hex.DecodeString(s.Key)
	sig, err2 := hex.DecodeString(s.Signature)
	if err1 != nil || err2 != nil || len(key) != ed25519.PublicKeySize || !ed25519.Verify(key, sum[:], sig) {
		return fmt.Errorf("%w: the signature is not the key's", ErrSeal)
	}
	return nil
}

// seal makes the content of a sealed report's file.
func seal(raw []byte, number int64, previous string, key ed25519.PrivateKey) (Seal, []byte, error) {
	s := newSeal(raw, number, previous, key)
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
	var f struct {
		Report json.RawMessage `json:"report"`
		Seal   *Seal           `json:"seal"`
	}
	if err := json.Unmarshal(data, &f); err != nil {
		return Sealed{}, fmt.Errorf("not a sealed report: %w", err)
	}
	if f.Report == nil || f.Seal == nil {
		return Sealed{}, errors.New("not a sealed report: report or seal is missing")
	}
	var id struct {
		Schema string `json:"schema"`
	}
	if err := json.Unmarshal(f.Report, &id); err != nil {
		return Sealed{}, fmt.Errorf("not a sealed report: %w", err)
	}
	if id.Schema != reports.Schema {
		return Sealed{}, fmt.Errorf("layout %.40q is not %q: read it with the version that wrote it", id.Schema,
			reports.Schema)
	}
	s := Sealed{Raw: f.Report, Seal: *f.Seal}
	if err := json.Unmarshal(f.Report, &s.Report); err != nil {
		return Sealed{}, fmt.Errorf("report: %w", err)
	}
	if same, err := envelope(fileHead, f.Report, s.Seal); err != nil || !bytes.Equal(same, data) {
		return Sealed{}, fmt.Errorf("%w: the file is not in the form it was sealed in", ErrSeal)
	}
	if err := s.Seal.prove(s.Raw, "report"); err != nil {
		return Sealed{}, err
	}
	return s, nil
}
