package sim

import (
	"hash/fnv"
	"math/rand/v2"
	"time"
)

// Morning is when the time of a simulated bench begins where no other is given.
var Morning = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// GoodOf is the handset that lies on a simulated bench that nobody has laid
// one on: a good one, always the same for a serial number.
func GoodOf(serial string) Handset {
	h := fnv.New64a()
	h.Write([]byte(serial))
	return Good(rand.New(rand.NewPCG(h.Sum64(), 0)))
}
