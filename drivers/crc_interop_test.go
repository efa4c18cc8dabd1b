package drivers_test

import (
	"fmt"
	"math/rand/v2"
	"os/exec"
	"testing"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// Every check by its name against a library by another hand, which has its own table
// of the catalogue's parameters: random data of 0 to 40 bytes.
func TestCRCAgainstAnotherTable(t *testing.T) {
	peer := drivertest.Start(t, exec.Command(drivertest.Python(t, "crccheck.crc"), "testdata/crc.py"))
	if got := peer.Ask("CRC-16/NOBODY 00"); got != "unknown" {
		t.Fatalf("a name that nobody knows: %q", got)
	}
	rng := rand.New(rand.NewPCG(3, 4))
	names := append(drivers.CRCNames(), "CRC-32C", "CRC-32")
	for _, name := range names {
		c, err := drivers.CRCNamed(name)
		if err != nil {
			t.Fatal(err)
		}
		for n := range 41 {
			data := make([]byte, n)
			for i := range data {
				data[i] = byte(rng.Uint32())
			}
			if got, want := fmt.Sprintf("%X", c.Sum(data)), peer.Ask("%s %x", name, data); got != want {
				t.Errorf("%s of % X: we say %s, they %s", name, data, got, want)
				break
			}
		}
	}
	t.Logf("%d names compared", len(names))
}
