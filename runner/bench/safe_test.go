package bench

import (
	"testing"

	"fullthrow/drivers"

	"github.com/stretchr/testify/assert"
)

// Every row of every table says what it drives, in a word that is known.
func TestEveryRowSaysWhatItDrives(t *testing.T) {
	known := append(drivers.Hazards(), drivers.ByOutputs)
	for _, r := range driverRows() {
		if len(r.models) == 0 {
			assert.Contains(t, known, r.drives, "driver %s does not say what it drives", r.name)
			assert.Equal(t, r.drives, r.hazard(""))
			continue
		}
		assert.Empty(t, r.drives, "driver %s: its models say it", r.name)
		for _, m := range r.models {
			assert.Contains(t, known, m.drives, "driver %s: model %s does not say what it drives", r.name, m.name)
			assert.Equal(t, m.drives, r.hazard(m.name))
			if m.drives == drivers.ByOutputs {
				assert.True(t, r.lines, "driver %s: model %s has no outputs", r.name, m.name)
			}
		}
		assert.Empty(t, r.hazard("a model from later"), "an unknown model counts as able to hurt")
	}
}
