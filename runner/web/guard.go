package web

import (
	"fmt"
	"log"
	"log/slog"
	"net/http"
	"runtime/debug"
	"time"
)

// policy is what a page may load: this server's own files, and nothing that is
// written into the page itself.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; media-src 'self'; " +
	"connect-src 'self'; " +
	"frame-ancestors 'none'; base-uri 'none'; form-action 'self'"

// guard stands before every handler: headers, limits, who may ask, the log.
func (s *Server) guard(next http.Handler) http.Handler {
	crossOrigin := http.NewCrossOriginProtection()
	elsewhere := func(w http.ResponseWriter, r *http.Request) {
		s.refused(refusedOrigin, r.RemoteAddr)
		http.Error(w, "this request comes from a page of another site: open the station's own page and do it there",
			http.StatusForbidden)
	}
	crossOrigin.SetDenyHandler(http.HandlerFunc(elsewhere))
	next = crossOrigin.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		began := time.Now()
		rec := &statusWriter{ResponseWriter: w}
		defer func() {
			if p := recover(); p != nil && p != http.ErrAbortHandler {
				s.c.Log.Error("internal error", "path", r.URL.Path, "error", p, "stack", string(debug.Stack()))
				if rec.status == 0 {
					http.Error(rec, "internal error", http.StatusInternalServerError)
				}
			}
			level := slog.LevelDebug
			if rec.status >= 500 {
				level = slog.LevelWarn
			}
			s.c.Log.Log(r.Context(), level, "request", "method", r.Method, "path", clip(r.URL.Path), "status",
				rec.status,
				"took", time.Since(began).Seconds(), "from", r.RemoteAddr)
		}()
		h := rec.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=(), usb=(), serial=()")
		switch {
		case !s.hosts.own(r):
			// Perhaps a name that an attacker's name server points at this computer.
			s.refused(refusedHost, r.RemoteAddr)
			http.Error(rec, fmt.Sprintf("this station is asked for under the name %q, which is not its own: use "+
				"http://localhost on the station itself, or its own address or name; if it has this name too, say so "+
				"in the bench file, hosts = [...] under [serve], or by --host", clip(r.Host)),
				http.StatusMisdirectedRequest)
			return
		case !ownOrigin(r):
			elsewhere(rec, r)
			return
		case len(r.URL.RequestURI()) > 8<<10:
			http.Error(rec, "the address is too long", http.StatusRequestURITooLong)
			return
		}
		// A stream of events sets its own, write by write.
		http.NewResponseController(w).SetWriteDeadline(time.Now().Add(30 * time.Second))
		// A copy: the server looks at the body of its own request whether it is worth
		// reading to the end, and would wait for the end of one it does not know.
		bounded := r.WithContext(r.Context())
		bounded.Body = http.MaxBytesReader(w, r.Body, 1<<20)
		next.ServeHTTP(rec, bounded)
	})
}

// refused counts who was not let in, and tells it once: in the log, and again when
// nobody was for a while. A flood must not fill the log.
func (s *Server) refused(why, from string) {
	if s.c.Refused != nil {
		s.c.Refused(why)
	}
	now := time.Now()
	s.refusals.mu.Lock()
	told := s.refusals.last[why]
	s.refusals.last[why] = now
	s.refusals.mu.Unlock()
	if now.Sub(told) > refusalsQuiet {
		s.c.Log.Warn("requests are refused", "why", why, "first from", from,
			"connections", s.connections.count(), "followers", s.followers.count())
	}
}

// refusalsQuiet is how long nobody is refused until the next one is told again.
const refusalsQuiet = time.Minute

// statusWriter notes the status for the log.
type statusWriter struct {
	http.ResponseWriter
	status int
}

func (w *statusWriter) WriteHeader(status int) {
	if w.status == 0 {
		w.status = status
	}
	w.ResponseWriter.WriteHeader(status)
}

func (w *statusWriter) Write(p []byte) (int, error) {
	if w.status == 0 {
		w.status = http.StatusOK
	}
	return w.ResponseWriter.Write(p)
}

// Unwrap lets http.ResponseController reach the connection.
func (w *statusWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

func newErrorLog(l *slog.Logger) *log.Logger { return slog.NewLogLogger(l.Handler(), slog.LevelWarn) }
