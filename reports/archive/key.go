package archive

import (
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"fullthrow/reports"
)

// The station's key, as PEM files that other programs read too: the private
// half PKCS #8 (RFC 5958), the public half SubjectPublicKeyInfo (RFC 8410).
const (
	keyFile     = "station.key"
	pubFile     = "station.pub"
	nextKeyFile = "station.key.new" // of a renewal that is under way
)

// stationKey loads the key, or makes one for a new archive, and finishes a
// renewal that was cut short. used says that reports were sealed here before:
// then a missing key is an error, since a new one would make the old reports
// look forged.
func stationKey(dir string, used bool) (ed25519.PrivateKey, error) {
	path := filepath.Join(dir, keyFile)
	ring := loadRing(dir)
	if next, err := readKey(filepath.Join(dir, nextKeyFile)); err == nil {
		n := len(ring.handovers)
		if n > 0 && ring.handovers[n-1].New == hex.EncodeToString(next.Public().(ed25519.PublicKey)) {
			if err := os.Rename(filepath.Join(dir, nextKeyFile), path); err != nil {
				return nil, fmt.Errorf("archive: %w", err)
			}
			if err := syncDir(dir); err != nil {
				return nil, fmt.Errorf("archive: %w", err)
			}
		} else {
			os.Remove(filepath.Join(dir, nextKeyFile)) // it was never handed anything
		}
	}
	key, err := readKey(path)
	switch {
	case errors.Is(err, fs.ErrNotExist) && used:
		return nil, &reports.HintedError{
			Err: fmt.Errorf("archive: %s is missing, though reports were sealed with it", path),
			Hint: "put it back from a copy; if there is none, fullthrow key --lost gives the station a new one, and " +
				"every check will say so",
		}
	case errors.Is(err, fs.ErrNotExist):
		if key, err = newKey(path); err != nil {
			return nil, fmt.Errorf("archive: make %s: %w", keyFile, err)
		}
	case err != nil:
		return nil, fmt.Errorf("archive: %w", err)
	}
	public := key.Public().(ed25519.PublicKey)
	pub, err := loadPublic(dir)
	n := len(ring.handovers)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return nil, fmt.Errorf("archive: %w", err)
	case pub.Equal(public):
		return key, nil
	case n > 0 && ring.handovers[n-1].New == hex.EncodeToString(public):
	default:
		return nil, &reports.HintedError{
			Err:  fmt.Errorf("archive: %s and %s do not belong together", path, pubFile),
			Hint: "one of the two was replaced: put the right one back",
		}
	}
	der, err := x509.MarshalPKIXPublicKey(public)
	if err != nil {
		return nil, fmt.Errorf("archive: %w", err)
	}
	text := pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der})
	if err := (disk{}).writeFile(filepath.Join(dir, pubFile), text, 0o644); err != nil {
		return nil, fmt.Errorf("archive: make %s: %w", pubFile, err)
	}
	return key, nil
}

// readKey reads a private key.
func readKey(path string) (ed25519.PrivateKey, error) {
	data, err := readBounded(path, maxNote)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(data)
	if block == nil {
		return nil, fmt.Errorf("%s: not a PEM file", path)
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	key, ok := parsed.(ed25519.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("%s: not an Ed25519 key", path)
	}
	return key, nil
}

func newKey(path string) (ed25519.PrivateKey, error) {
	_, key, err := ed25519.GenerateKey(nil)
	if err != nil {
		return nil, err
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	text := pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})
	return key, disk{}.writeFile(path, text, 0o600)
}

func loadPublic(dir string) (ed25519.PublicKey, error) {
	path := filepath.Join(dir, pubFile)
	data, err := readBounded(path, maxNote)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(data)
	if block == nil {
		return nil, fmt.Errorf("%s: not a PEM file", path)
	}
	parsed, err := x509.ParsePKIXPublicKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	key, ok := parsed.(ed25519.PublicKey)
	if !ok {
		return nil, fmt.Errorf("%s: not an Ed25519 key", path)
	}
	return key, nil
}

// Fingerprint is a short name of a public key for people to compare: the
// first 16 hex digits of its SHA-256, in fours.
func Fingerprint(key ed25519.PublicKey) string {
	sum := sha256.Sum256(key)
	h := hex.EncodeToString(sum[:8])
	return h[0:4] + " " + h[4:8] + " " + h[8:12] + " " + h[12:16]
}
