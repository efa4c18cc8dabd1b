//go:build !unix

package bench

// take claims nothing here: the system opens a serial port for one process only,
// and nothing holds two runners off one TCP instrument.
func (c *Claim) take(string, int) error { return nil }

// Gone says in the claim that the runner is gone and its guardian at work.
func (c *Claim) Gone(int) {}

// Release gives the ports up.
func (c *Claim) Release() {}
