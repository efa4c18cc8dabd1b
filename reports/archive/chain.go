package archive

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"path/filepath"
)

// chain is the note of the newest record of a kind: the file of that name in
// the archive. It is written after the record, and so may be one behind.
type chain string

const (
	reportChain chain = "chain"
	repairChain chain = "repairs.chain"
)

// head is the content of a chain.
type head struct {
	Number int64  `json:"number"`
	Hash   string `json:"hash"`
	File   string `json:"file"`
}

// path is where the note lies in the archive in dir.
func (c chain) path(dir string) string { return filepath.Join(dir, string(c)) }

// read reads the note in the archive in dir; os.ErrNotExist if there is none.
func (c chain) read(dir string) (h head, err error) {
	data, err := readBounded(c.path(dir), maxNote)
	if err != nil {
		return head{}, err
	}
	if err := json.Unmarshal(data, &h); err != nil {
		return head{}, err
	}
	if b, err := hex.DecodeString(h.Hash); err != nil || len(b) != sha256.Size || h.Number < 1 {
		return head{}, errors.New("not the head of a chain")
	}
	return h, nil
}

// write replaces the note in the archive in dir.
func (c chain) write(dir string, d disk, h head) error {
	text, err := json.Marshal(h)
	if err != nil {
		return err
	}
	return d.writeFile(c.path(dir), append(text, '\n'), 0o644)
}
