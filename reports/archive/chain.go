package archive

import (
	"crypto/ed25519"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"reflect"
	"time"
)

// chain is the note of the newest record of a kind: the file of that name in
// the archive. It is written after the record, and so may be one behind.
type chain string

const (
	reportChain chain = "chain"
	repairChain chain = "repairs.chain"
)

// head is the content of a chain: number and hash of the newest record, signed
// together. That of a new archive has number 0. Where it names a number that has
// no file and File is "", the numbers up to it were given up: see
// [Archive.loadChain].
type head struct {
	Number int64  `json:"number"`        // of the newest record
	Hash   string `json:"hash"`          // of it
	File   string `json:"file"`          // of it, within the archive
	At     string `json:"at,omitempty"`  // when it was written, RFC 3339, UTC
	Key    string `json:"key,omitempty"` // the station's public key, lower-case hex
	// Signature is Ed25519, by Key, over what [head.text] gives; none in notes
	// written by earlier versions.
	Signature string `json:"signature,omitempty"`
}

// path is where the note lies in the archive in dir.
func (c chain) path(dir string) string { return filepath.Join(dir, string(c)) }

// HeadType is the type of a chain's note, for schemas.
func HeadType() reflect.Type { return reflect.TypeFor[head]() }

// read reads the note in the archive in dir, without proving it; os.ErrNotExist
// if there is none.
func (c chain) read(dir string) (h head, err error) {
	data, err := readBounded(c.path(dir), maxNote)
	if err != nil {
		return head{}, err
	}
	if err := json.Unmarshal(data, &h); err != nil {
		return head{}, errors.New("not the head of a chain")
	}
	open := h.Number >= 0 && h.Hash == "" && h.File == "" && h.Signature != "" // nothing was sealed yet
	if h.Number > maxNumber || !open && (h.Number < 1 || !isHash(h.Hash)) {
		return head{}, errors.New("not the head of a chain")
	}
	return h, nil
}

// text is what is signed.
func (h head) text(c chain) []byte {
	return fmt.Appendf(nil, "fullthrow-head/1\n%s\n%d\n%s\n%s\n%s\n", c, h.Number, h.Hash, h.File, h.At)
}

// write signs the note and replaces that in the archive in dir.
func (c chain) write(dir string, d disk, h head, key ed25519.PrivateKey) (head, error) {
	h.At = time.Now().UTC().Format(time.RFC3339)
	h.Key = hex.EncodeToString(key.Public().(ed25519.PublicKey))
	h.Signature = hex.EncodeToString(ed25519.Sign(key, h.text(c)))
	text, err := json.Marshal(h)
	if err != nil {
		return h, err
	}
	return h, d.writeFile(c.path(dir), append(text, '\n'), 0o644)
}

// standing is what a note is worth.
type standing int

const (
	headNone   standing = iota // there is no note
	headForged                 // unreadable, or not signed by the station's key
	headOld                    // not signed: written by an earlier version, or by hand
	headSigned
)

// prove says what a note is worth that was read with err.
func (h head) prove(c chain, ring keyring, err error) standing {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return headNone
	case err != nil:
		return headForged
	case h.Signature == "" && h.Key == "":
		return headOld
	case !signed(h.Key, h.Signature, h.text(c)) || !ring.signsHead(c, h):
		return headForged
	}
	return headSigned
}
