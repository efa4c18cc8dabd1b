//go:build drill

package drill

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"fullthrow/drivers/drivertest"
	"fullthrow/runner/demo/demotest"
)

func TestFocus(t *testing.T) {
	n, _ := strconv.Atoi(os.Getenv("N"))
	traffic := demotest.Traffic(t)
	for _, spec := range strings.Split(os.Getenv("FOCUS"), ";") {
		f := strings.Split(spec, ",") // wire,harm,lo,hi,defect|sound
		lo, _ := strconv.ParseFloat(f[2], 64)
		hi, _ := strconv.ParseFloat(f[3], 64)
		count := map[string]int{}
		far, retook := 0.0, 0
		for i := range n {
			seed := uint64(700000 + i)
			rng := rand.New(rand.NewPCG(seed, 3))
			a := demotest.Attack{Wire: f[0], Seed: seed, Damage: drivertest.Damage{Harm: drivertest.Harm(f[1])}, Defect: f[4]}
			if lo == 0 {
				a.Damage.Once = 1 + rng.IntN(traffic[f[0]])
			} else {
				a.Damage.Rate = math.Exp(math.Log(lo) + rng.Float64()*math.Log(hi/lo))
			}
			c := a.Run(t)
			for _, k := range c.Report.Checks {
				if len(k.Retaken) > 0 {
					retook++
				}
			}
			far = max(far, c.Farthest)
			count[string(c.Report.Outcome)]++
			for _, w := range c.Wrong {
				fmt.Println("WRONG", w)
			}
		}
		fmt.Println(spec, count, "farthest", far, "retakes", retook)
	}
}
