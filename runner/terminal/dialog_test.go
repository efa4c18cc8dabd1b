package terminal

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
)

func TestAnswer(t *testing.T) {
	choose := reports.Prompt{Kind: "choose", Choices: []string{"red", "green"}}
	for _, c := range []struct {
		name string
		p    reports.Prompt
		line string
		want reports.Value
		err  string
	}{
		{"yes", reports.Prompt{Kind: "confirm"}, "Y", reports.Bool(true), ""},
		{"no", reports.Prompt{Kind: "confirm"}, "no", reports.Bool(false), ""},
		{"maybe", reports.Prompt{Kind: "confirm"}, "maybe", reports.Value{}, `"maybe" is neither y nor n`},
		{"empty is no answer", reports.Prompt{Kind: "confirm"}, "", reports.Value{}, "nothing was typed"},
		{"by number", choose, "2", reports.Text("green"), ""},
		{"by name", choose, "RED", reports.Text("red"), ""},
		{"number beyond", choose, "3", reports.Value{}, `"3" is none of the choices`},
		{"number", reports.Prompt{Kind: "number"}, "1.5", reports.Number(1.5), ""},
		{"decimal comma", reports.Prompt{Kind: "number"}, "1,5", reports.Number(1.5), ""},
		{"nan", reports.Prompt{Kind: "number"}, "nan", reports.Value{}, `"nan" is not a number`},
		{"infinity", reports.Prompt{Kind: "number"}, "1e999", reports.Value{}, `"1e999" is not a number`},
		{"text", reports.Prompt{Kind: "text"}, "scratched", reports.Text("scratched"), ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			v, err := answer(c.p, c.line)
			if c.err != "" {
				assert.EqualError(t, err, c.err)
				return
			}
			require.NoError(t, err)
			assert.True(t, c.want.Equal(v), "got %v", v)
		})
	}
}

func TestDialogAsksUntilAnswered(t *testing.T) {
	var out strings.Builder
	d := startDialog(strings.NewReader("\nperhaps\ny\n"), &Screen{w: &out}, "Ida")
	v, by, err := d.Ask(t.Context(), reports.Prompt{Text: "Is the lamp on?", Kind: "confirm"})
	require.NoError(t, err)
	assert.True(t, v.Equal(reports.Bool(true)))
	assert.Equal(t, "Ida", by)
	assert.Equal(t, 3, strings.Count(out.String(), "? Is the lamp on?"))
	assert.Contains(t, out.String(), "nothing was typed")
	assert.Contains(t, out.String(), `"perhaps" is neither y nor n`)
}

func TestDialogObeysItsContext(t *testing.T) {
	r, w := io.Pipe()
	defer w.Close()
	stop := errors.New("the guard was opened")
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(stop)
	d := startDialog(r, &Screen{w: io.Discard}, "")
	_, _, err := d.Ask(ctx, reports.Prompt{Text: "?", Kind: "text"})
	assert.ErrorIs(t, err, stop)
}

func TestNobodyToAsk(t *testing.T) {
	d := NewDialog(strings.NewReader("y\n"), &Screen{w: io.Discard}, "")
	_, _, err := d.Ask(t.Context(), reports.Prompt{Text: "?", Kind: "confirm"})
	assert.ErrorIs(t, err, errNobody)
}
