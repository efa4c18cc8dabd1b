package archive

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"fullthrow/reports"
)

// fileID is a file as the system sees it. Whoever writes to a file can set its
// time of modification back, but not that of its last change (ctime), unless as
// the system's administrator.
type fileID struct {
	size, modified, changed int64 // bytes, ns, ns
	inode                   uint64
}

// racy is longer than any file system's clock ticks: what changed less than that
// before it was looked at may change again under the same times.
const racy = 2 * time.Second

// identify is the file's identity; not ok where the system does not tell, or the
// file changed too short a time ago to tell by.
func identify(name string, now time.Time) (fileID, bool) {
	info, err := os.Lstat(name)
	if err != nil || !info.Mode().IsRegular() {
		return fileID{}, false
	}
	id, ok := identityOf(info)
	return id, ok && now.UnixNano()-id.changed > int64(racy)
}

// checkpoint is what a verification proved, for the next one: which files, as
// the system saw them, hold which reports. It lies outside the archive; whoever
// can write to it can hide what he changes, but not from a full verification.
type checkpoint struct {
	at          time.Time
	number      int64 // of the newest report, with its hash
	hash, key   string
	reports     map[string]proof
	attachments map[string]fileID
}

// known is what the checkpoint has seen.
func (c checkpoint) known() []Known {
	if c.number < 1 {
		return nil
	}
	return []Known{{From: "checkpoint", Number: c.number, Hash: c.hash, Key: c.key}}
}

const checkpointHead = "fullthrow-checkpoint/2"

// recallCheckpoint reads a checkpoint of the archive in dir; the zero one if
// there is none, it is of another archive, or not whole.
func recallCheckpoint(file, dir string) (c checkpoint) {
	data, err := os.ReadFile(file)
	if file == "" || err != nil {
		return checkpoint{}
	}
	end := bytes.LastIndex(data, []byte("\nend\t"))
	if end < 0 {
		return checkpoint{}
	}
	sum := sha256.Sum256(data[:end+1])
	if strings.TrimSpace(string(data[end+5:])) != hex.EncodeToString(sum[:]) {
		return checkpoint{}
	}
	c.reports, c.attachments = map[string]proof{}, map[string]fileID{}
	abs, _ := filepath.Abs(dir)
	for i, line := range strings.Split(string(data[:end]), "\n") {
		f := strings.Split(line, "\t")
		n := func(i int) int64 { v, _ := strconv.ParseInt(f[i], 10, 64); return v }
		id := func(i int) fileID { return fileID{n(i), n(i + 1), n(i + 2), uint64(n(i + 3))} }
		switch {
		case i == 0:
			if len(f) != 6 || f[0] != checkpointHead || f[1] != strconv.Quote(abs) {
				return checkpoint{}
			}
			c.at, c.number, c.hash, c.key = time.Unix(n(2), 0), n(3), f[4], f[5]
		case f[0] == "a" && len(f) == 6:
			c.attachments[f[1]] = id(2)
		case f[0] == "r" && len(f) >= 14:
			p := proof{file: f[1], id: id(2), number: n(6), previous: f[7], hash: f[8], key: f[9], form: form(n(10)),
				outcome: reports.Outcome(f[11])}
			p.station, _ = strconv.Unquote(f[12])
			if at := n(13); at != 0 {
				p.ended = time.UnixMilli(at)
			}
			p.run, p.belongs = strings.TrimSuffix(filepath.Base(p.file), ".json"), p.file
			for _, at := range f[14:] {
				var k reports.Capture
				part := strings.SplitN(at, " ", 3)
				if len(part) != 3 {
					return checkpoint{}
				}
				k.SHA256 = part[0]
				k.Size, _ = strconv.ParseInt(part[1], 10, 64)
				name, _ := strconv.Unquote(part[2])
				k.Check, k.Name, _ = strings.Cut(name, ".")
				p.captures = append(p.captures, k)
			}
			c.reports[p.file] = p
		default:
			return checkpoint{}
		}
	}
	return c
}

// keepCheckpoint writes what was proved. Only what nothing was wrong with is in
// it; and where others knew more than the archive has, the head that was seen
// before stays.
func keepCheckpoint(file, dir string, at time.Time, v *Verification, last checkpoint, proofs []proof,
	whole map[string]fileID) error {
	abs, err := filepath.Abs(dir)
	if err != nil {
		return err
	}
	number, hash, key := v.Number, v.Head, v.ring.current()
	if slices.ContainsFunc(v.Problems, func(p reports.Problem) bool {
		return p.Code == RolledBack || p.Code == KeyReplaced
	}) && last.number > 0 {
		number, hash, key = last.number, last.hash, last.key
	}
	var b bytes.Buffer
	ids := func(id fileID) {
		fmt.Fprintf(&b, "\t%d\t%d\t%d\t%d", id.size, id.modified, id.changed, int64(id.inode))
	}
	fmt.Fprintf(&b, "%s\t%s\t%d\t%d\t%s\t%s\n", checkpointHead, strconv.Quote(abs), at.Unix(), number, hash, key)
	for i := range proofs {
		p := &proofs[i]
		if p.err != nil || p.contradicts != nil || p.belongs != p.file || p.id == (fileID{}) ||
			strings.ContainsAny(p.file, "\t\n") {
			continue
		}
		fmt.Fprintf(&b, "r\t%s", p.file)
		ids(p.id)
		ended := int64(0)
		if !p.ended.IsZero() {
			ended = p.ended.UnixMilli()
		}
		fmt.Fprintf(&b, "\t%d\t%s\t%s\t%s\t%d\t%s\t%s\t%d", p.number, p.previous, p.hash, p.key, p.form, p.outcome,
			strconv.Quote(p.station), ended)
		for _, c := range p.captures {
			fmt.Fprintf(&b, "\t%s %d %s", c.SHA256, c.Size, strconv.Quote(c.Check+"."+c.Name))
		}
		b.WriteByte('\n')
	}
	for _, name := range slices.Sorted(maps.Keys(whole)) {
		if strings.ContainsAny(name, "\t\n") {
			continue
		}
		fmt.Fprintf(&b, "a\t%s", name)
		ids(whole[name])
		b.WriteByte('\n')
	}
	sum := sha256.Sum256(b.Bytes())
	fmt.Fprintf(&b, "end\t%x\n", sum)
	if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
		return err
	}
	return disk{}.writeFile(file, b.Bytes(), 0o600)
}
