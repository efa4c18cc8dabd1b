package archive

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
)

// Place is where a sealed report stands in its station's chain, as its file
// says: proved by [Load], not by who only reads the place.
type Place struct {
	Number   int64
	Previous string // SHA-256 of the report before, "" for the first
	SHA256   string
	Key      string // the station's public key, lower-case hex
}

// sealTail is more than a seal takes at the end of a file: about 500 bytes.
const sealTail = 1024

// ReadPlace reads the place of the report in a file of the archive in dir,
// from the end of the file alone: quick enough for the files of years. A file
// that does not end as a sealed report does is an error wrapping [ErrSeal].
func ReadPlace(dir, file string) (Place, error) {
	f, err := os.Open(filepath.Join(dir, filepath.FromSlash(file)))
	if err != nil {
		return Place{}, fmt.Errorf("report: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return Place{}, fmt.Errorf("report: %w", err)
	}
	tail := make([]byte, min(info.Size(), sealTail))
	if _, err := f.ReadAt(tail, info.Size()-int64(len(tail))); err != nil {
		return Place{}, fmt.Errorf("report: %s: %w", file, err)
	}
	at := bytes.LastIndex(tail, []byte(fileMid))
	var s struct {
		Seal Seal `json:"seal"`
	}
	if at < 0 || json.Unmarshal(append([]byte{'{'}, tail[at+1:]...), &s) != nil || s.Seal.Number < 1 {
		return Place{}, fmt.Errorf("report: %s: %w: the file does not end in one", file, ErrSeal)
	}
	return Place{s.Seal.Number, s.Seal.Previous, s.Seal.SHA256, s.Seal.Key}, nil
}

// ReadHead reads number and hash of the newest report of the archive in dir,
// as its chain says; the zero Place and no error if it has none yet. Every
// report up to that number was in its place before. A head that the station has
// not signed is an error, unless an earlier version wrote it.
func ReadHead(dir string) (Place, error) {
	h, err := reportChain.read(dir)
	switch h.prove(reportChain, loadRing(dir), err) {
	case headNone:
		return Place{}, nil
	case headForged:
		if err == nil {
			err = errors.New("it is not signed by the station")
		}
		return Place{}, fmt.Errorf("archive: %s: %w", reportChain, err)
	}
	return Place{Number: h.Number, SHA256: h.Hash}, nil
}

// PublicKey reads the public key of the station whose archive is in dir.
func PublicKey(dir string) (ed25519.PublicKey, error) {
	key, err := loadPublic(dir)
	if err != nil {
		return nil, fmt.Errorf("archive: %w", err)
	}
	return key, nil
}

// Parse is [Load] for the content of a file.
func Parse(data []byte) (Sealed, error) {
	s, err := parseSealed(data)
	if err != nil {
		return Sealed{}, fmt.Errorf("report: %w", err)
	}
	return s, nil
}

// Bytes is the content of the report's file, as [Parse] takes it.
func (s Sealed) Bytes() ([]byte, error) {
	seal, err := json.Marshal(s.Seal)
	if err != nil {
		return nil, fmt.Errorf("report: %w", err)
	}
	return bytes.Join([][]byte{[]byte(fileHead), s.Raw, []byte(fileMid), seal, []byte(fileTail)}, nil), nil
}

// Find is where the archive lies that somebody means by dir: there, or in its
// folder records. Where there is none, ok is false, and found is dir.
func Find(dir string) (found string, ok bool) {
	for _, at := range []string{dir, filepath.Join(dir, "records")} {
		for _, mark := range []string{pubFile, string(reportChain), keyFile, ringFile, repairsFile} {
			if info, err := os.Stat(filepath.Join(at, mark)); err == nil && info.Mode().IsRegular() {
				return at, true
			}
		}
		if holdsReports(at) { // all of these may have been taken away
			return at, true
		}
	}
	return dir, false
}

// holdsReports looks for a sealed report where an archive keeps them.
func holdsReports(dir string) bool {
	const digits = "[0-9][0-9]"
	days, err := filepath.Glob(filepath.Join(dir, digits+digits, digits, digits))
	if err != nil {
		return false
	}
	for _, day := range days {
		names, err := os.ReadDir(day)
		if err != nil || len(names) == 0 {
			continue
		}
		if _, err := ReadPlace(day, names[0].Name()); err == nil {
			return true
		}
	}
	return false
}

// StationOf is the station whose archive is in dir, as its newest report that can
// be read names it; "" if none can.
func StationOf(dir string) string {
	files, err := reportFiles(dir, false)
	if err != nil {
		return ""
	}
	for _, name := range slices.Backward(files) {
		if s, err := Load(filepath.Join(dir, filepath.FromSlash(name))); err == nil {
			return s.Report.Station
		}
	}
	return ""
}
