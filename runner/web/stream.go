package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"

	"fullthrow/reports/wording"
)

const (
	// quiet is how long a stream says nothing before it says that it is there.
	quiet = 15 * time.Second
	// slowest is how long a browser may take to accept what was written; then it
	// is let go, and comes back by itself where it was.
	slowest = 20 * time.Second
	// gather is how long a follower waits for more before it writes: a check
	// gives a dozen readings at once, and one write carries them all.
	gather = 25 * time.Millisecond
)

// events is GET /events: the state of the station as the server-sent event
// "state", then each change. With Last-Event-ID the changes behind that one, if
// they are still known.
func (s *Server) events(w http.ResponseWriter, r *http.Request) {
	// The newest page of an address has its place: one that was left open
	// somewhere goes, and comes back when it can.
	ctx, leave := context.WithCancel(r.Context())
	defer leave()
	place, why := s.followers.take(clientOf(r.RemoteAddr), func() int { return 1 }, leave)
	if place == nil {
		s.refused(why, r.RemoteAddr)
		http.Error(w, "too many pages follow this station", http.StatusServiceUnavailable)
		return
	}
	defer place.free()
	if v, ok := r.Context().Value(visitKey{}).(*visit); ok {
		v.stays.Store(true)
	}
	t := s.c.Look.Page(r, "").Words()
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	rc := http.NewResponseController(w)
	rc.SetReadDeadline(time.Time{})
	out := &eventWriter{w: w, rc: rc}
	out.line("retry: 1000\n\n")

	at, run, ok := s.hub.place(lastEventID(r))
	if !ok {
		var err error
		if at, err = s.sendState(out, t, run); err != nil {
			return
		}
	}
	for {
		if err := out.flush(); err != nil {
			return
		}
		waiting, cancel := context.WithTimeout(ctx, quiet)
		list, kept := s.hub.after(waiting, at)
		cancel()
		switch {
		case !kept:
			var err error
			if at, err = s.sendState(out, t, ""); err != nil {
				return
			}
			continue
		case len(list) > 0:
			if gatherMore(ctx) != nil {
				return
			}
			if list, kept = s.hub.after(ctx, at); !kept {
				continue
			}
		case ctx.Err() != nil || s.hub.ended():
			return
		default:
			out.line(": here\n\n")
			continue
		}
		for _, m := range list {
			data, err := m.in(t)
			if err != nil {
				s.c.Log.Error("a change could not be told", "error", err)
				return
			}
			out.event(s.hub.id(m.number, m.run, m.seq), m.name, data)
			at = m.number
			if out.b.Len() > 64<<10 {
				if err := out.flush(); err != nil {
					return
				}
			}
		}
	}
}

// gatherMore waits a moment.
func gatherMore(ctx context.Context) error {
	timer := time.NewTimer(gather)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// lastEventID is what a browser says when it comes back; a script that cannot
// set headers may say it in the query.
func lastEventID(r *http.Request) string {
	if id := r.Header.Get("Last-Event-ID"); id != "" {
		return id
	}
	return r.URL.Query().Get("after")
}

// sendState writes the state and returns the number of the newest change in it.
func (s *Server) sendState(out *eventWriter, t *wording.Translator, followed string) (int64, error) {
	state, number := s.state(t, followed)
	data, err := json.Marshal(state)
	if err != nil {
		s.c.Log.Error("the state could not be told", "error", err)
		return 0, err
	}
	out.event(s.hub.id(number, "", 0), "state", data)
	return number, nil
}

func (h *hub) ended() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.closed
}

// eventWriter gathers events and writes them with a deadline.
type eventWriter struct {
	w  http.ResponseWriter
	rc *http.ResponseController
	b  bytes.Buffer
}

func (o *eventWriter) line(text string) { o.b.WriteString(text) }

// event adds one; JSON has no line ends.
func (o *eventWriter) event(id, name string, data []byte) {
	fmt.Fprintf(&o.b, "id: %s\nevent: %s\ndata: %s\n\n", id, name, data)
}

func (o *eventWriter) flush() error {
	if o.b.Len() == 0 {
		return nil
	}
	if err := o.rc.SetWriteDeadline(time.Now().Add(slowest)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	if _, err := o.w.Write(o.b.Bytes()); err != nil {
		return err
	}
	o.b.Reset()
	if err := o.rc.Flush(); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	return nil
}
