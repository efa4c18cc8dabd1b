package guardian

import (
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

// A bench whose one device is never there: what is made safe says so at once.
const oneDevice = `
station = "LQ-1"
product = "kittiwake-k8"

[[nest]]
name = "A"
interlock = "none"

[nest.device.supply]
driver = "scpi"
model = "MODEL"
port = "/dev/fullthrow-none"
`

// conversation is a guardian in this process, and the runner's end of its pipes.
type conversation struct {
	t     *testing.T
	down  *io.PipeWriter
	up    *json.Decoder
	said  *strings.Builder
	ended chan struct{}
}

func talk(t *testing.T) *conversation {
	t.Helper()
	in, down := io.Pipe()
	up, out := io.Pipe()
	c := &conversation{t: t, down: down, up: json.NewDecoder(up), said: &strings.Builder{}, ended: make(chan struct{})}
	go func() {
		defer close(c.ended)
		watch(in, out, c.said, 50*time.Millisecond)
	}()
	return c
}

func (c *conversation) ask(m message) string {
	c.t.Helper()
	line, err := json.Marshal(m)
	require.NoError(c.t, err)
	_, err = c.down.Write(line)
	require.NoError(c.t, err)
	var r reply
	require.NoError(c.t, c.up.Decode(&r))
	return r.Problem
}

func take(t *testing.T) message {
	t.Helper()
	demo, err := os.ReadFile("../../scripts/kittiwake-k8/bench-demo.toml")
	require.NoError(t, err)
	_, model, _ := strings.Cut(string(demo), `[nest.device.supply]`)
	_, model, _ = strings.Cut(model, `model = "`)
	model, _, _ = strings.Cut(model, `"`)
	return message{Do: doTake, Runner: os.Getpid(), Name: "bench.toml",
		Data: []byte(strings.ReplaceAll(oneDevice, "MODEL", model))}
}

// The pipe's end means that the runner is gone, also in the middle of a message; one
// that was dismissed, or has opened nothing, has nothing to make safe.
func TestPipe(t *testing.T) {
	for _, tt := range []struct {
		name  string
		tell  []message
		torn  string
		acted bool
	}{
		{"before the bench", nil, "", false},
		{"not armed", []message{take(t)}, "", false},
		{"armed", []message{take(t), {Do: doArm}}, "", true},
		{"armed, in the middle of a message", []message{take(t), {Do: doArm}}, `{"do":"do`, true},
		{"armed, what is no message", []message{take(t), {Do: doArm}}, "\x00done", true},
		{"dismissed", []message{take(t), {Do: doArm}, {Do: doBeat}, {Do: doDone}}, "", false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			c := talk(t)
			for _, m := range tt.tell {
				require.Empty(t, c.ask(m))
			}
			if tt.torn != "" {
				_, err := c.down.Write([]byte(tt.torn))
				require.NoError(t, err)
			}
			require.NoError(t, c.down.Close())
			<-c.ended
			assert.Equal(t, tt.acted, strings.Contains(c.said.String(), "NOT SAFE"), c.said.String())
		})
	}
}

// What it cannot do it says, and goes on guarding.
func TestProblems(t *testing.T) {
	c := talk(t)
	assert.NotEmpty(t, c.ask(message{Do: doTake, Name: "bench.toml", Data: []byte("station = 1")}))
	assert.NotEmpty(t, c.ask(message{Do: doArm}), "there is no bench")
	require.Empty(t, c.ask(take(t)))
	assert.NotEmpty(t, c.ask(message{Do: doArm, Index: 1}))
	assert.NotEmpty(t, c.ask(message{Do: "sing"}))
	require.Empty(t, c.ask(message{Do: doArm}))
	require.NoError(t, c.down.Close())
	<-c.ended
	assert.Contains(t, c.said.String(), "NOT SAFE")
}

// Runs that were on get what it did into their journals; sealed ones and those that
// had not begun get nothing, and nothing is said of them.
func TestJournal(t *testing.T) {
	dir := t.TempDir()
	a, err := archive.Open(dir, "LQ-1")
	require.NoError(t, err)
	for _, run := range []string{"on", "over"} {
		_, err = a.Begin(reports.Start{Run: run, Station: "LQ-1", Nest: "A"}, time.Now())
		require.NoError(t, err)
	}
	require.NoError(t, a.Close())
	c := talk(t)
	require.Empty(t, c.ask(take(t)))
	require.Empty(t, c.ask(message{Do: doArm}))
	for _, run := range []string{"on", "over", "never"} {
		require.Empty(t, c.ask(message{Do: doBegin, Dir: dir, Run: run, Nest: "A"}))
	}
	require.Empty(t, c.ask(message{Do: doEnd, Run: "over"}))
	require.NoError(t, c.down.Close())
	<-c.ended
	assert.NotContains(t, c.said.String(), "note:")
	over, err := archive.ReadJournal(filepath.Join(dir, "journal", "over.jsonl"))
	require.NoError(t, err)
	assert.Len(t, over, 1)
	on, err := archive.ReadJournal(filepath.Join(dir, "journal", "on.jsonl"))
	require.NoError(t, err)
	require.Len(t, on, 2)
	require.NotNil(t, on[1].Guardian)
	assert.Equal(t, reports.GuardianUnsafe, on[1].Guardian.Code)
	require.Len(t, on[1].Unsafe, 1)
	assert.Equal(t, "supply", on[1].Unsafe[0].Device)
}
