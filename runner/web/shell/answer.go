package shell

import (
	"bytes"
	"context"
	"errors"
	"html/template"
	"log/slog"
	"net/http"
	"strings"

	"fullthrow/reports/store"
)

// Write writes a page whole or not at all.
func Write(w http.ResponseWriter, log *slog.Logger, t *template.Template, data any, status int) {
	var b bytes.Buffer
	if err := t.Execute(&b, data); err != nil {
		log.Error("a page could not be made", "error", err)
		http.Error(w, "internal error", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	w.Write(b.Bytes())
}

// Refusal is why an address cannot be answered: a message, whose hint is the
// same with "_hint".
type Refusal struct {
	Status int
	ID     string
	Args   []any
	Link   Link // where to go instead; its text is an ID. Optional
}

func (r *Refusal) Error() string { return "refused: " + r.ID }

// Refuse is a [Refusal].
func Refuse(status int, id string, args ...any) error {
	return &Refusal{Status: status, ID: id, Args: args}
}

// ErrClosed is the error of pages whose store is not open.
var ErrClosed = errors.New("the store is not open")

// Excuse is what stands on a page where an answer cannot: a [Refusal], or one of
// the messages closed, slow, unknown and unreachable below a prefix.
func (p Page) Excuse(err error, prefix string, log *slog.Logger) (Notice, int) {
	var no *Refusal
	path, _, _ := strings.Cut(p.Path, "?")
	id, status, shape := "unreachable", http.StatusServiceUnavailable, "doubt"
	switch {
	case errors.As(err, &no):
		return p.Notice(shape, no.ID, no.Args...), no.Status
	case errors.Is(err, ErrClosed):
		id = "closed"
	case errors.Is(err, context.DeadlineExceeded):
		id = "slow"
		log.Warn("a page took too long", "path", path, "error", err)
	case errors.Is(err, store.ErrUnknown):
		id, status = "unknown", http.StatusNotFound
	default:
		shape = "error"
		log.Warn("a page cannot be answered", "path", path, "error", err)
	}
	return p.Notice(shape, prefix+id), status
}

// Notice is a message with its hint, if it has one.
func (p Page) Notice(shape, id string, args ...any) Notice {
	n := Notice{Shape: shape, Title: p.T(id, args...)}
	if p.words.Has(id + "_hint") {
		n.Text = []string{p.T(id+"_hint", args...)}
	}
	return n
}
