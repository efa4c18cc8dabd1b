package motion

import (
	"strings"
	"time"

	"fullthrow/drivers"
)

// Model is one kind of controller: what to say and what it says. Text that is
// looked for is found in capitals and small letters alike.
type Model struct {
	Name   string         `toml:"name" help:"as bench files call it"`
	About  string         `toml:"about" help:"one line for people"`
	Drives drivers.Hazard `toml:"drives" help:"motion"` // what it can hurt people with

	Setup     []string `toml:"setup" help:"lines before it moves: millimetres, absolute positions"`
	HomeFirst bool     `toml:"home_first" help:"it takes no setup before it is homed"`
	Home      string   `toml:"home" help:"finds the reference of every axis; acknowledged when done"`
	Move      string   `toml:"move" help:"straight line at a feed, axes and feed follow; acknowledged when accepted"`
	Feed      string   `toml:"feed" help:"the feed's letter, mm/min"`
	// Synchronise is acknowledged when all motion is done.
	Synchronise string `toml:"synchronise" help:"acknowledged when all motion is done"`
	// Probe is acknowledged in every state and changes nothing; "": Synchronise.
	Probe string `toml:"probe" help:"acknowledged in every state, changes nothing; left out: synchronise"`
	// Identity is answered by what the machine is, in a line that begins with
	// IdentityIs, and acknowledged. "": never asked.
	Identity   string `toml:"identity" help:"question for what it is; empty: never asked"`
	IdentityIs string `toml:"identity_is" help:"beginning of the line that answers identity"`

	// Hold, Reset and Status are real-time bytes, U+0000 to U+00FF a byte each: no
	// lines, no acknowledgement, at once. Hold slows down and stands, Reset forgets
	// what was planned, Status is answered by "<State|MPos:x,y,...>". "": none.
	Hold   string `toml:"hold" raw:"true" help:"real-time bytes that slow it down until it stands; empty: it has none"`
	Reset  string `toml:"reset" raw:"true" help:"real-time bytes that have it forget what was planned"`
	Status string `toml:"status" raw:"true" help:"real-time bytes, answered by <State|MPos:x,y,...>"`
	// Idle are the states in which it stands and takes movements, Still all in which
	// it stands; Locked says of states what is the matter and what to do.
	Idle   []string          `toml:"idle" help:"states in which it stands and takes movements"`
	Still  []string          `toml:"still" help:"all states in which it stands, those of idle too"`
	Locked map[string]string `toml:"locked" help:"of a state: what is the matter, and what to do"`
	// PositionLetters are the axes of a status, in order.
	PositionLetters string `toml:"position_letters" help:"the axes of a status, in order, like XYZA"`

	// Stop is a line that stops at once and forgets what was planned, where there
	// is no Hold; StopAhead is what an answer to Identity contains where that is so,
	// "" where it always is. Without Hold and Stop nothing stops it but its power.
	Stop      string `toml:"stop" help:"line that stops at once, where there is no hold"`
	StopAhead string `toml:"stop_ahead" help:"what an answer to identity has where stop acts at once; empty: always"`
	// StopTime is within what time it stands; what takes longer is not safe.
	StopTime time.Duration `toml:"stop_time" range:"0.01,10" help:"s, within which it stands; later is not safe"`

	// Proof is how it is known that it has found its reference: "state" (it takes no
	// movement before, and its state says so), "switches" (Switches is answered by a
	// line for each axis, "x_min: TRIGGERED", with Closed in it), "any-switch" (one axis
	// of it stands on its switch: the others have left theirs again), or "" (never).
	Proof    string `toml:"proof" oneof:"state switches any-switch" help:"what proves that it was homed; left out: nothing"`
	Switches string `toml:"switches" help:"question for its switches, a line for each: x_min: TRIGGERED"`
	Closed   string `toml:"closed" help:"what such a line says of a closed one"`

	// Where is answered by a line with a letter, a colon and mm for each axis,
	// and acknowledged: asked after each movement over a wire without a check sum
	// (see [drivers.Unchecked]), where the machine may have been told something
	// else. A machine that refuses it is believed. "": never asked; a machine with
	// a Status says it there.
	Where string `toml:"where" help:"question for where it stands: X:1.00 Y:0.00; empty: never asked"`

	Ack      string   `toml:"ack" help:"beginning of the reply to a line carried out"`
	Error    string   `toml:"error" help:"beginning of the reply to a line refused"`
	Refusals []string `toml:"refusals" help:"beginnings of lines that say so before an acknowledgement"`
	Again    []string `toml:"again" help:"beginnings of lines that ask for a line again"`
	Busy     []string `toml:"busy" help:"beginnings of lines that say that it is at work"`
	Banner   []string `toml:"banner" help:"parts of a line that says that it has started; one word is all of it"`
	Alarm    string   `toml:"alarm" help:"beginning of a line that says that it has given up"`
	Skip     []string `toml:"skip" help:"beginnings of lines nobody asked for"`

	// Errors and Alarms say in plain words what a number behind Error and Alarm
	// means, and what to do.
	Errors map[string]string `toml:"errors" help:"of what stands behind error: its meaning, and what to do"`
	Alarms map[string]string `toml:"alarms" help:"of what stands behind alarm: its meaning, and what to do"`

	// Numbered lines carry a number and a check sum, "N7 G1 X1*cs" (all bytes before the
	// '*', exclusive or): one that arrives damaged is asked for again and sent again. A
	// stop is never numbered. SetNumber is the word that begins the count; AgainErrors
	// are parts of an Error that an Again line follows.
	Numbered    bool     `toml:"numbered" help:"lines have a number and a check sum, and are sent again"`
	SetNumber   string   `toml:"set_number" help:"the word that sets the number of the last line, like M110"`
	AgainErrors []string `toml:"again_errors" help:"parts of an error after which it asks for the line again"`

	LineEnd string `toml:"line_end" raw:"true" help:"after what is sent: \\n, \\r\\n or \\r"`
	// Timeout is for an acknowledgement, and behind a Busy line.
	Timeout     time.Duration `toml:"timeout" range:"0.01,30" help:"s, for an acknowledgement, and behind a busy line"`
	HomeTimeout time.Duration `toml:"home_timeout" range:"0.1,600" help:"s, until it is homed"`
	// StartTime is from a Banner, or the opening of its port, until it takes lines.
	StartTime time.Duration `toml:"start_time" range:"0,60" help:"s, from its banner or its port's opening until it hears"`
	Settle    time.Duration `toml:"settle" range:"0.005,5" help:"s, that the line must be quiet after trouble"`
	MaxFeed   float64       `toml:"max_feed" range:"0,1e6" help:"mm/min, the largest"`
	// Ramps is by how much gathering speed, slowing down and acknowledging may
	// make a movement longer than it would be at its rate throughout.
	Ramps time.Duration `toml:"ramps" range:"0,2" help:"s, that ramps and its answer add to a movement"`
	// PathLetters are the axes whose travel the feed is measured along; "" for
	// all. (Some machines measure it along X, Y, Z only and let the others keep
	// up.)
	PathLetters string `toml:"path_letters" help:"the axes that the feed is measured along, like XYZ; left out: all"`
}

// Stops says whether it has a stop that may act at once.
func (m Model) Stops() bool { return m.Hold != "" || m.Stop != "" }

// Models lists every model. The first is the usual one.
func Models() []Model {
	return []Model{{
		// Small controllers of milling machines: a state, real-time bytes, numbers for
		// errors.
		Name: "generic-state", About: "acknowledges lines as read, has states, alarms and real-time bytes",
		Drives: drivers.Motion,
		Setup:  []string{"G21", "G90"}, HomeFirst: true, Home: "$H", Move: "G53 G1", Feed: "F", Synchronise: "G4 P0",
		Probe: "$G", Identity: "$I", IdentityIs: "[VER:",
		Hold: "!", Reset: "\x18", Status: "?",
		Idle: []string{"Idle"}, Still: []string{"Idle", "Hold:0", "Alarm", "Check", "Sleep", "Door:0", "Door:1"},
		Locked: map[string]string{
			"Alarm": "it is in alarm: see what has happened to it, then home it",
			"Hold":  "somebody holds it: make safe and home it",
			"Door":  "its door is open: close it, then home it",
			"Check": "it only checks lines and moves nothing: reset it",
			"Sleep": "it sleeps with its motors off: reset it and home it",
			"Home":  "it is still seeking its reference",
			"Run":   "it still moves",
			"Jog":   "somebody moves it by hand: let go of the pendant",
		},
		PositionLetters: "XYZABC", StopTime: 600 * time.Millisecond, Proof: "state",
		Ack: "ok", Error: "error", Alarm: "ALARM", Banner: []string{"['$' for help]"}, Skip: []string{"[", "<", ">"},
		Errors: map[string]string{
			"1": "a word of the line has no letter", "2": "a number of the line cannot be read",
			"3": "it does not know this command", "4": "a number is negative",
			"5": "it has no homing cycle: set its limit switches up and switch homing on",
			"8": "it takes this only while it stands", "9": "it is locked: home it",
			"10": "soft limits need a homing cycle", "11": "the line is too long",
			"13": "its door is open: close it", "15": "the way leads beyond its travel",
			"20": "it does not know a word of the line", "22": "no feed has been given",
			"28": "a number is missing", "33": "the target of the movement is not valid",
		},
		Alarms: map[string]string{
			"1": "a limit switch was hit, its position is lost: free the axis by hand, then home it",
			"2": "the target is beyond its travel: check min, max, scale and offset of the axes",
			"3": "it was reset while it moved, its position is lost: home it",
			"6": "homing failed, it was reset: home it again", "7": "homing failed, its door was opened: close it",
			"8": "homing failed, a limit switch stays closed: check the switch and the pull-off",
			"9": "homing failed, no limit switch was found: check switches and motors",
		},
		LineEnd: "\n", Timeout: time.Second, HomeTimeout: 60 * time.Second, StartTime: 3 * time.Second,
		Settle: 50 * time.Millisecond, MaxFeed: 12000, Ramps: 250 * time.Millisecond,
	}, {
		// Controllers of printers: a queue, answers in text. Their stop acts at once
		// only where they read ahead, which they say of themselves.
		Name: "generic-queue", About: "takes lines into a queue, answers in text, says that it is busy",
		Drives: drivers.Motion,
		Setup:  []string{"G21", "G90"}, Home: "G28", Move: "G1", Feed: "F", Synchronise: "M400", Probe: "M114",
		Identity: "M115", IdentityIs: "FIRMWARE_NAME:", Stop: "M410", StopAhead: "Cap:EMERGENCY_PARSER:1",
		StopTime: time.Second, Proof: "switches", Switches: "M119", Closed: "TRIGGERED", Where: "M114",
		Ack: "ok", Error: "Error", Refusals: []string{"echo:Unknown command", "Unknown command"},
		SetNumber: "M110", AgainErrors: []string{"checksum", "Last Line"},
		Again: []string{"Resend:", "rs "}, Busy: []string{"echo:busy:", "busy:"}, Banner: []string{"start"},
		Skip:    []string{"echo:", "//", "Cap:", "Reporting endstop"},
		LineEnd: "\n", Timeout: 3 * time.Second, HomeTimeout: 60 * time.Second, StartTime: 8 * time.Second,
		Settle: 50 * time.Millisecond, MaxFeed: 12000, Ramps: 250 * time.Millisecond,
	}, {
		// No more than the standard's words. ISO 6983 has no word that stops a movement
		// under way (M0 is a program stop), and none that says where a machine stands.
		Name: "generic-gcode", About: "the words of ISO 6983 alone: no stop, no proof of homing", Drives: drivers.Motion,
		Setup: []string{"G21", "G90"}, Home: "G28", Move: "G1", Feed: "F", Synchronise: "G4 P0", Where: "M114",
		StopTime: 300 * time.Millisecond,
		Ack:      "ok", Error: "error", Alarm: "ALARM", Skip: []string{";", "<"},
		LineEnd: "\n", Timeout: time.Second, HomeTimeout: 60 * time.Second, StartTime: 3 * time.Second,
		Settle: 50 * time.Millisecond, MaxFeed: 12000, Ramps: 250 * time.Millisecond,
	}}
}

// kind is what a line from the machine is.
type kind int

const (
	unknown kind = iota
	skipped
	acknowledged
	failed
	refusal
	again
	busy
	restarted
	alarmed
)

// parseReply tells what a line is, and gives the text behind the word for it.
func (m *Model) parseReply(line string) (kind, string) {
	line = strings.TrimSpace(line)
	if line == "" {
		return skipped, ""
	}
	for _, s := range m.Banner {
		// A banner that is a word alone is that line; any other is part of one.
		if strings.EqualFold(line, s) || strings.Contains(s, " ") && contains(line, s) {
			return restarted, ""
		}
	}
	for _, l := range []struct {
		kind   kind
		starts []string
	}{{refusal, m.Refusals}, {again, m.Again}, {busy, m.Busy}, {skipped, m.Skip}} {
		for _, s := range l.starts {
			if begins(line, s) && l.kind == skipped {
				return skipped, ""
			} else if begins(line, s) {
				return l.kind, line
			}
		}
	}
	if rest, ok := word(line, m.Ack); ok {
		return acknowledged, rest
	}
	if rest, ok := word(line, m.Error); ok && m.Error != "" {
		return failed, rest
	}
	if rest, ok := word(line, m.Alarm); ok && m.Alarm != "" {
		return alarmed, rest
	}
	return unknown, ""
}

func begins(line, s string) bool { return len(line) >= len(s) && strings.EqualFold(line[:len(s)], s) }

func contains(line, s string) bool {
	return strings.Contains(strings.ToLower(line), strings.ToLower(s))
}

// word cuts w off the front of line, if it stands there as a whole word.
func word(line, w string) (string, bool) {
	if !begins(line, w) {
		return "", false
	}
	rest := line[len(w):]
	if rest != "" && !strings.ContainsRune(" \t:", rune(rest[0])) {
		return "", false
	}
	return strings.TrimLeft(rest, " \t:"), true
}

// bytesOf are real-time bytes: U+0000 to U+00FF a byte each.
func bytesOf(s string) []byte {
	var b []byte
	for _, r := range s {
		b = append(b, byte(r))
	}
	return b
}
