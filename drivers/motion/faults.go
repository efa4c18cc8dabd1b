package motion

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"fullthrow/drivers"
)

// Fault is what is wrong with a row: the key, and why.
type Fault struct{ Key, Text, Hint string }

// mostBytes is how many real-time bytes a word can be.
const mostBytes = 8

// Faults lists what makes a row unfit for use, beyond what its keys say alone.
func (m Model) Faults() (faults []Fault) {
	add := func(key, hint, format string, args ...any) {
		faults = append(faults, Fault{key, fmt.Sprintf(format, args...), hint})
	}
	if m.Drives != drivers.Motion {
		add("drives", "", `what moves drives "motion", not %q`, m.Drives)
	}
	for _, n := range []struct {
		key, word, what string
	}{{"home", m.Home, "how it is homed"}, {"move", m.Move, "how it is moved"},
		{"synchronise", m.Synchronise, "how it is known that all motion is done"},
		{"ack", m.Ack, "how it acknowledges"}} {
		if strings.TrimSpace(n.word) == "" {
			add(n.key, "", "it does not say %s", n.what)
		}
	}
	if len(m.Feed) != 1 || m.Feed < "A" || m.Feed > "Z" {
		add("feed", `write feed = "F"`, "feed is %q, want a letter", m.Feed)
	}
	if !slices.Contains([]string{"\n", "\r\n", "\r"}, m.LineEnd) {
		add("line_end", `one of "\n", "\r\n", "\r"`, "line_end is %q", m.LineEnd)
	}
	for _, n := range []struct {
		key string
		v   float64
	}{{"stop_time", m.StopTime.Seconds()}, {"timeout", m.Timeout.Seconds()},
		{"home_timeout", m.HomeTimeout.Seconds()}, {"settle", m.Settle.Seconds()}, {"max_feed", m.MaxFeed}} {
		if !(n.v > 0) {
			add(n.key, `write it, or based_on = "NAME"`, "it needs %s above 0", n.key)
		}
	}
	for _, l := range []struct{ key, letters string }{{"position_letters", m.PositionLetters},
		{"path_letters", m.PathLetters}} {
		for i, c := range l.letters {
			if !strings.ContainsRune(axisLetters, c) || strings.ContainsRune(l.letters[:i], c) {
				add(l.key, "", "%s is %q, want letters of %s, each once", l.key, l.letters, axisLetters)
				break
			}
		}
	}
	m.realTimeFaults(add)
	m.proofFaults(add)
	m.replyFaults(add)
	return faults
}

type addFault func(key, hint, format string, args ...any)

// realTimeFaults is what is wrong with how it is stopped and asked for its state.
func (m *Model) realTimeFaults(add addFault) {
	for _, w := range []struct{ key, word string }{{"hold", m.Hold}, {"reset", m.Reset}, {"status", m.Status}} {
		if n := utf8.RuneCountInString(w.word); n > mostBytes ||
			strings.ContainsFunc(w.word, func(c rune) bool { return c > 0xff }) {
			add(w.key, `a byte each: "!", "\u0018"`, "%s is %q, want at most %d bytes, U+0000 to U+00FF", w.key, w.word,
				mostBytes)
		}
	}
	if have := m.Hold != ""; have != (m.Reset != "") || have != (m.Status != "") {
		add("", "a controller without them has none of the three", "hold, reset and status go together: it is held, asked "+
			"until it stands, and reset")
	}
	if m.Status != "" {
		for _, l := range []struct {
			key  string
			list []string
		}{{"idle", m.Idle}, {"still", m.Still}} {
			if len(l.list) == 0 {
				add(l.key, "", "it has states, and names none for %s", l.key)
			}
		}
		for _, s := range m.Idle {
			if !is(s, m.Still) {
				add("still", "idle and still say in what states it stands", "%q is idle, and not among still", s)
			}
		}
		if m.PositionLetters == "" {
			add("position_letters", "", "it has a status, and does not say of which axes")
		}
	}
	if m.Hold != "" && m.Stop != "" {
		add("stop", "", "it has hold: stop would never be said")
	}
	if m.StopAhead != "" && (m.Stop == "" || m.Identity == "") {
		add("stop_ahead", "", "stop_ahead is about stop, in an answer to identity, and it has not both")
	}
	if m.Identity != "" && m.IdentityIs == "" {
		add("identity_is", "", "it is asked what it is, and does not say how its answer begins")
	}
}

// proofFaults is what is wrong with how homing is proved.
func (m *Model) proofFaults(add addFault) {
	switch m.Proof {
	case "state":
		if m.Status == "" {
			add("proof", "", "its state proves homing, and it has no status")
		}
	case "switches", anySwitch:
		if m.Switches == "" || m.Closed == "" {
			add("proof", "write switches and closed", "its switches prove homing, and it does not say how they are asked for")
		}
	}
}

// replyFaults is what is wrong with how lines from the machine are told apart: one
// refused must never seem carried out.
func (m *Model) replyFaults(add addFault) {
	for _, l := range []struct {
		key  string
		list []string
	}{{"setup", m.Setup}, {"idle", m.Idle}, {"still", m.Still}, {"refusals", m.Refusals}, {"again", m.Again},
		{"busy", m.Busy}, {"banner", m.Banner}, {"skip", m.Skip}, {"again_errors", m.AgainErrors}} {
		if slices.ContainsFunc(l.list, func(s string) bool { return strings.TrimSpace(s) == "" }) {
			add(l.key, "", "%s has an empty text, and every line begins with that", l.key)
		}
	}
	if m.Numbered && (m.SetNumber == "" || len(m.Again) == 0) {
		add("numbered", "write set_number and again", "its lines are numbered, and it does not say how the count begins "+
			"or how a line is asked for again")
	}
	if m.Ack == "" {
		return
	}
	for _, w := range []struct{ key, word string }{{"error", m.Error}, {"alarm", m.Alarm}} {
		if _, same := word(w.word, m.Ack); w.word != "" && same {
			add(w.key, "", "%s is %q, and would be taken for the acknowledgement %q", w.key, w.word, m.Ack)
		}
	}
	if k, _ := m.parseReply(m.Ack); k != acknowledged {
		add("ack", "look at refusals, again, busy, banner and skip",
			"%q would not be taken for an acknowledgement: another key takes it first", m.Ack)
	}
	if k, _ := m.parseReply(m.Error); m.Error != "" && k != failed && k != refusal {
		add("error", "look at again, busy, banner and skip",
			"%q would not be taken for a refusal: another key takes it first", m.Error)
	}
	if k, _ := m.parseReply(m.Alarm); m.Alarm != "" && k != alarmed {
		add("alarm", "look at refusals, again, busy, banner, skip and error",
			"%q would not be taken for an alarm: another key takes it first", m.Alarm)
	}
}
