package web

import (
	"log"
	"log/slog"
	"net"
	"net/http"
	"runtime/debug"
	"strings"
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
	crossOrigin.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		http.Error(w, "this request comes from another site", http.StatusForbidden)
	}))
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
		case s.loopback.Load() && !loopbackHost(r.Host):
			// A name that an attacker's name server points at this computer.
			http.Error(rec, "this station is asked for under a name that is not its own; use http://localhost",
				http.StatusMisdirectedRequest)
			return
		case len(r.URL.RequestURI()) > 8<<10:
			http.Error(rec, "the address is too long", http.StatusRequestURITooLong)
			return
		}
		// A stream of events sets its own, write by write.
		http.NewResponseController(w).SetWriteDeadline(time.Now().Add(30 * time.Second))
		r.Body = http.MaxBytesReader(rec, r.Body, 1<<20)
		next.ServeHTTP(rec, r)
	})
}

// loopbackHost reports whether a Host header names this computer's loopback.
func loopbackHost(host string) bool {
	name, _, err := net.SplitHostPort(host)
	if err != nil {
		name = host
	}
	name = strings.TrimSuffix(strings.ToLower(strings.Trim(name, "[]")), ".")
	if name == "localhost" || strings.HasSuffix(name, ".localhost") {
		return true
	}
	ip := net.ParseIP(name)
	return ip != nil && ip.IsLoopback()
}

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
