package archive

import (
	"crypto/sha256"
	"encoding/hex"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// mostTalk bounds what is read of a talk: twice what is written of one.
const mostTalk = 128 << 10

// Talk reads what was said with a device from the archive in dir, by its hash; ok is
// false where it is not there, or not what was sealed.
func Talk(dir, hash string) (text string, ok bool) {
	if len(hash) != 2*sha256.Size || strings.Trim(hash, "0123456789abcdef") != "" {
		return "", false
	}
	f, err := os.Open(filepath.Join(dir, attachmentsDir, hash+".txt"))
	if err != nil {
		return "", false
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, mostTalk))
	if err != nil {
		return "", false
	}
	sum := sha256.Sum256(data)
	return string(data), hex.EncodeToString(sum[:]) == hash
}
