package web

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"sync"

	"fullthrow/reports/wording"
)

// message is one thing that followers are told: what an event of a run was,
// what changed by it, or both. It is made once and written in each language
// when the first follower of that language asks; all followers share it.
type message struct {
	number int64
	name   string // of the server-sent event: "nest", "station", "event"
	run    string // that it belongs to, "" none
	seq    int64
	build  func(t *wording.Translator) any

	mu      sync.Mutex
	written map[string][]byte // by language
}

// in is the message as JSON in the translator's language.
func (m *message) in(t *wording.Translator) ([]byte, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if data, ok := m.written[t.Lang]; ok {
		return data, nil
	}
	data, err := json.Marshal(m.build(t))
	if err != nil {
		return nil, fmt.Errorf("message %d: %w", m.number, err)
	}
	if m.written == nil {
		m.written = map[string][]byte{}
	}
	m.written[t.Lang] = data
	return data, nil
}

// hubLog is how many messages are kept for those who are behind: some forty
// runs of the stock plan. Who is further behind gets the state anew.
const hubLog = 8192

// hub holds the newest messages. Followers read them at their own pace from
// the one log: a slow one costs no memory and holds up nobody.
type hub struct {
	boot string // names this server's numbering

	mu      sync.Mutex
	log     []*message    // log[i].number == base+i
	base    int64         // of log[0]; 1 at first
	changed chan struct{} // closed and replaced when a message comes
	closed  bool
}

func newHub() *hub {
	var b [6]byte
	rand.Read(b[:]) // never fails (crypto/rand)
	return &hub{boot: hex.EncodeToString(b[:]), base: 1, changed: make(chan struct{})}
}

// publish numbers the message and tells everybody. It never waits for a
// follower.
func (h *hub) publish(m *message) {
	h.mu.Lock()
	defer h.mu.Unlock()
	m.number = h.base + int64(len(h.log))
	h.log = append(h.log, m)
	if drop := len(h.log) - hubLog; drop > hubLog/4 { // now and then, not each time
		h.log = append([]*message(nil), h.log[drop:]...)
		h.base += int64(drop)
	}
	close(h.changed)
	h.changed = make(chan struct{})
}

// last is the number of the newest message, 0 before the first.
func (h *hub) last() int64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.base + int64(len(h.log)) - 1
}

// after returns the messages behind number n, waiting for the first of them.
// kept is false when some of them are no longer there. At the end of the hub
// or of ctx there are none.
func (h *hub) after(ctx context.Context, n int64) (list []*message, kept bool) {
	for {
		h.mu.Lock()
		next := h.base + int64(len(h.log))
		switch {
		case n+1 < h.base || n >= next:
			h.mu.Unlock()
			return nil, false
		case n+1 < next:
			list = h.log[n+1-h.base:]
			list = list[:len(list):len(list)]
			h.mu.Unlock()
			return list, true
		case h.closed:
			h.mu.Unlock()
			return nil, true
		}
		changed := h.changed
		h.mu.Unlock()
		select {
		case <-changed:
		case <-ctx.Done():
			return nil, true
		}
	}
}

// close ends all followers.
func (h *hub) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.closed {
		h.closed = true
		close(h.changed)
		h.changed = make(chan struct{})
	}
}

// An ID of a server-sent event is boot.number, and behind it, where the message
// belongs to a run, /run/seq: a browser that comes back to a server that was
// started anew tells by it what it was following.

func (h *hub) id(number int64, run string, seq int64) string {
	id := h.boot + "." + strconv.FormatInt(number, 10)
	if run != "" {
		id += "/" + run + "/" + strconv.FormatInt(seq, 10)
	}
	return id
}

// place reads an ID: the number behind which to go on; ok is false if it is not
// of this server's numbering. run is what the browser was following.
func (h *hub) place(id string) (number int64, run string, ok bool) {
	if len(id) > 200 {
		return 0, "", false
	}
	parts := strings.Split(id, "/")
	if len(parts) == 3 {
		run = parts[1]
	}
	n, found := strings.CutPrefix(parts[0], h.boot+".")
	number, err := strconv.ParseInt(n, 10, 64)
	return number, run, found && err == nil && number >= 0
}
