package motion

import (
	"strings"
	"time"

	"fullthrow/drivers"
)

// Model is one kind of machine: what to say and what it says.
type Model struct {
	Name   string
	About  string
	Drives drivers.Hazard // what it can hurt people with

	Setup       []string // millimetres, absolute positions: before homing
	Home        string   // acknowledged when done
	Move        string   // straight line at a feed; acknowledged when accepted
	Feed        string   // the feed's letter, mm/min
	Synchronise string   // acknowledged when all motion is done
	Stop        string   // stops at once and forgets what was planned
	// Where is answered by a line with a letter, a colon and mm for each axis,
	// and acknowledged: asked after each movement over a wire without a check sum
	// (see [drivers.Unchecked]), where the machine may have been told something
	// else. A machine that refuses it is believed. "": never asked.
	Where string

	Ack   string   // beginning of the reply to a line carried out
	Error string   // beginning of the reply to a line refused
	Skip  []string // beginnings of lines nobody asked for

	LineEnd     string
	Timeout     time.Duration // for an acknowledgement
	HomeTimeout time.Duration
	Settle      time.Duration // quiet time after trouble
	MaxFeed     float64       // mm/min
	// Ramps is by how much gathering speed, slowing down and acknowledging may
	// make a movement longer than it would be at its rate throughout.
	Ramps time.Duration
	// PathLetters are the axes whose travel the feed is measured along; "" for
	// all. (Some machines measure it along X, Y, Z only and let the others keep
	// up.)
	PathLetters string
}

// Models lists every model. The first is the usual one.
func Models() []Model {
	return []Model{{
		Name: "generic-gcode", About: "ISO 6983 words, acknowledged line by line", Drives: drivers.Motion,
		Setup: []string{"G21", "G90"}, Home: "G28", Move: "G1", Feed: "F", Synchronise: "G4 P0", Stop: "M0",
		Where: "M114",
		Ack:   "ok", Error: "error", Skip: []string{";", "<"},
		LineEnd: "\n", Timeout: time.Second, HomeTimeout: 60 * time.Second, Settle: 50 * time.Millisecond,
		MaxFeed: 12000, Ramps: 250 * time.Millisecond,
	}}
}

// kind is what a line from the machine is.
type kind int

const (
	unknown kind = iota
	skipped
	acknowledged
	failed
)

// parseReply tells what a line is, and gives the text behind the word error.
func (m *Model) parseReply(line string) (kind, string) {
	line = strings.TrimSpace(line)
	if line == "" {
		return skipped, ""
	}
	for _, s := range m.Skip {
		if strings.HasPrefix(line, s) {
			return skipped, ""
		}
	}
	if rest, ok := word(line, m.Ack); ok {
		return acknowledged, rest
	}
	if rest, ok := word(line, m.Error); ok {
		return failed, rest
	}
	return unknown, ""
}

// word cuts w off the front of line, if it stands there as a whole word.
func word(line, w string) (string, bool) {
	rest, ok := strings.CutPrefix(line, w)
	if !ok || rest != "" && !strings.ContainsRune(" \t:", rune(rest[0])) {
		return "", false
	}
	return strings.TrimLeft(rest, " \t:"), true
}
