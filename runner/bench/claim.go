package bench

import (
	"fmt"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"
)

// Claim is the right of one runner and its guardian to the ports of a bench. Both
// hold it, the guardian as files that it was started with, so that it outlives
// either: whoever wants the ports next waits until they are safe. It ends with the
// last process that holds it.
type Claim struct{ files []*os.File }

// Files are what a process holds the claim by, to hand on to a guardian.
func (c *Claim) Files() []*os.File { return c.files }

// Inherited is the claim that a process was started with.
func Inherited(files []*os.File) *Claim { return &Claim{files} }

// Claimed says who has a port that was to be claimed.
type Claimed struct {
	Port string
	// Process is the number of the runner that has it, 0 if that is not known.
	Process int
	// Gone: that runner is gone, and its guardian makes the bench safe.
	Gone bool
}

func (e *Claimed) Error() string {
	who := "another runner"
	if e.Process != 0 {
		who = "process " + strconv.Itoa(e.Process)
	}
	if e.Gone {
		return fmt.Sprintf("%s: %s is gone, and its guardian is making the fixture safe", e.Port, who)
	}
	return fmt.Sprintf("%s: held by %s", e.Port, who)
}

// Advice is the hint: what to do about it, for people.
func (e *Claimed) Advice() string {
	if e.Gone {
		return "start again in some seconds; if it takes longer, see what the guardian waits for: " +
			"a device that is off or unplugged"
	}
	return "one runner a bench at a time: end the other one, or give this one another bench"
}

// claimWords are in a claim's file: who has the port.
const (
	claimRuns = "runner"
	claimGone = "guardian of"
)

// ports of nests, each once: what a second master could spoil. That is a wire, a
// part on a bus that others share, and a line that is an output.
func (b *File) ports(nests []int) []string {
	found := map[string]bool{}
	for _, i := range nests {
		for _, d := range b.Nests[i].Devices {
			switch p, err := ParsePort(d.Port); {
			case err != nil || p.kind == "sim":
			case p.kind == "i2c":
				found[fmt.Sprintf("%s address 0x%02x", d.Port, d.Address)] = true
			case p.isStream():
				found[d.Port] = true
			}
		}
		for _, o := range b.Nests[i].Outputs {
			d := b.Nests[i].Devices[o.Device]
			if p, err := ParsePort(d.Port); err == nil && p.kind == "gpio" {
				found[fmt.Sprintf("%s line %d", d.Port, o.Line)] = true
			}
		}
	}
	return slices.Sorted(maps.Keys(found))
}

// Claim claims the ports of nests for this process. The error is a [*Claimed] where
// another has one of them.
func (b *File) Claim(nests []int) (*Claim, error) {
	c := &Claim{}
	for _, port := range b.ports(nests) {
		if err := c.take(port, os.Getpid()); err != nil {
			c.Release()
			return nil, err
		}
	}
	return c, nil
}

// parseClaim reads a claim's file.
func parseClaim(port, text string) *Claimed {
	e := &Claimed{Port: port}
	text = strings.TrimSpace(text)
	word, number, _ := strings.Cut(text, "\t")
	e.Process, _ = strconv.Atoi(number)
	e.Gone = word == claimGone
	return e
}

func claimText(word string, runner int) []byte { return fmt.Appendf(nil, "%s\t%d\n", word, runner) }
