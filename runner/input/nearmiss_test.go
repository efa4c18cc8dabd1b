package input

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestNear(t *testing.T) {
	known := []string{"lower", "upper", "unit", "why"}
	for _, c := range []struct{ word, want string }{
		{"lowr", "lower"}, {"Upper", "upper"}, {"uper", "upper"}, {"units", "unit"}, {"whyy", "why"},
		{"elephant", ""}, {"", ""}, {"x", ""}, {"lower", ""}, {"wy", "why"}, {"unit-two", "unit"},
	} {
		assert.Equal(t, c.want, Near(c.word, known), c.word)
	}
	assert.Empty(t, Near("lower", nil))
}
