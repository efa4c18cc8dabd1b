package guardian

import (
	"path/filepath"
	"time"

	"fullthrow/runner/bench"
)

// message is what the runner tells its guardian. Telling the same twice is harmless.
type message struct {
	Do     string `json:"do"`
	Runner int    `json:"runner,omitempty"` // of take: its process
	Name   string `json:"name,omitempty"`   // of take: of the bench file
	Data   []byte `json:"data,omitempty"`   // of take: the bench file
	// of take: its files of models
	Models []bench.ModelFile `json:"models,omitempty"`
	// of take: the names of the files of the claim, which it has open from 3 on
	Claim []string `json:"claim,omitempty"`
	Index int      `json:"index,omitempty"` // of arm: the nest
	Dir   string   `json:"dir,omitempty"`   // of begin: the archive
	Run   string   `json:"run,omitempty"`   // of begin and end
	Nest  string   `json:"nest,omitempty"`  // of begin: its name
}

// What a message may ask for.
const (
	doTake  = "take"  // this bench
	doArm   = "arm"   // the runner has opened this nest: make it safe when it is gone
	doBegin = "begin" // a run: its outputs may be on, and the runner beats
	doEnd   = "end"   // the run is sealed
	doBeat  = "beat"
	doDone  = "done" // all is safe and closed: leave
)

// reply answers a message.
type reply struct {
	Problem string `json:"problem,omitempty"` // "" the message was carried out
}

const (
	// beatEvery is how often the runner beats, and the guardian looks.
	beatEvery = time.Second
	// stuckAfter is how many looks in a row without a beat end a runner. Looks, not
	// seconds: a guardian that had no processor either has not been waiting.
	stuckAfter = 10
	// stuckEnds is how many looks a runner that was ended may take to be gone.
	stuckEnds = 3
	// answerTime is how long a guardian may take to answer.
	answerTime = 3 * time.Second
	// claimTime is how long a claim waits for another guardian that makes the same
	// ports safe.
	claimTime = 15 * time.Second
	// claimGrace is how long it takes a guardian at most to see that its runner is
	// gone, before it says so in its claim.
	claimGrace = 300 * time.Millisecond
	// patience is for how long a port that is not free, or a device that does not
	// confirm, is tried.
	patience = 5 * time.Second
)

// absolute is a folder whatever the process's own is.
func absolute(dir string) string {
	if full, err := filepath.Abs(dir); err == nil {
		return full
	}
	return dir
}
