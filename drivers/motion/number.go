package motion

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"fullthrow/drivers"
)

// count is where the count of numbered lines stands.
type count struct {
	known bool   // the machine counts as we do
	last  int    // the number of the last line sent
	text  string // and that line, as it was sent; "": none that may be sent again
	tries int    // how often it was sent again
	doubt bool   // the machine has complained of it
	asked bool   // and asked for it again; its acknowledgement is of that
}

// mostAgain is how often one line is sent again.
const mostAgain = 4

// summed is a line with its number and its check sum.
func summed(n int, line string) string {
	s := fmt.Sprintf("N%d %s", n, line)
	var sum byte
	for i := range len(s) {
		sum ^= s[i]
	}
	return fmt.Sprintf("%s*%d", s, sum)
}

// number sends a line with its number and its check sum.
func (m *Machine) number(ctx context.Context, n int, line string) error {
	m.count.last, m.count.text = n, summed(n, line)
	m.count.tries, m.count.doubt, m.count.asked = 0, false, false
	return m.plain(ctx, m.count.text)
}

// next is the next line from the machine. Where lines are numbered, one that it asks
// for again is sent again, and what it said about that is passed over: nothing of it
// was carried out.
func (m *Machine) next(ctx context.Context, end drivers.TimeOut) (string, error) {
	for {
		line, err := m.line(ctx, end)
		if err != nil || m.count.text == "" {
			return line, err
		}
		c := &m.count
		lost := func(format string, args ...any) (string, error) {
			c.known = false
			return "", errorf(drivers.Garbled, format, args...).WithHint(wireHint)
		}
		switch k, text := m.model.parseReply(line); {
		case k == restarted:
			c.known = false
			return line, nil
		case k == failed && m.model.complains(text):
			c.doubt = true
		case k == again:
			n, ok := numberIn(line)
			switch {
			case !ok || n != c.last:
				return lost("the machine asks for another line than line %d again: %.60q", c.last, line)
			case c.tries == mostAgain:
				return lost("the machine asks for line %d again, and got it %d times", n, 1+mostAgain)
			}
			c.doubt, c.asked = true, true
		case k == acknowledged && c.asked:
			if err := context.Cause(ctx); err != nil {
				return "", err // made safe: it must not move now
			}
			c.tries, c.doubt, c.asked = c.tries+1, false, false
			if err := m.plain(ctx, c.text); err != nil {
				return "", err
			}
		case k == acknowledged && c.doubt:
			return lost("the machine complains of line %d, and does not ask for it again", c.last)
		default:
			return line, nil
		}
	}
}

// complains says whether an error is of a line that arrived damaged, or out of turn.
func (m *Model) complains(text string) bool {
	for _, s := range m.AgainErrors {
		if contains(text, s) {
			return true
		}
	}
	return false
}

// numberIn is the first number of a line: "Resend: 7", "rs N7".
func numberIn(line string) (int, bool) {
	at := strings.IndexAny(line, "0123456789")
	if at < 0 {
		return 0, false
	}
	digits := line[at:]
	if end := strings.IndexFunc(digits, func(c rune) bool { return c < '0' || c > '9' }); end >= 0 {
		digits = digits[:end]
	}
	n, err := strconv.Atoi(digits)
	return n, err == nil
}
