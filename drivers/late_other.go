//go:build !linux

package drivers

import "time"

// suspended is not known here: where the machine's clock goes on while the
// computer sleeps, as on Windows, a sleep shows as a stall by itself.
func suspended() time.Duration { return 0 }
