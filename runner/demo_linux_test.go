package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"fullthrow/runner/input"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A demo that is stopped says what it has so far, and its records are whole.
func TestStoppedDemo(t *testing.T) {
	data := t.TempDir()
	cmd := exec.Command("fullthrow", "demo", "--units", "20000", "--data", data)
	var out bytes.Buffer
	cmd.Stdout = &out
	require.NoError(t, cmd.Start())
	// Once the first report is sealed, something has been found.
	await(t, "the first sealed report", func() bool { return sealedIn(data) > 0 })
	require.NoError(t, cmd.Process.Signal(os.Interrupt))
	err := cmd.Wait()
	assert.Equal(t, input.ExitAborted, exitCode(err), out.String())
	assert.Regexp(t, `stopped by Ctrl-C \(SIGINT\), after \d+ of 20000 units`, out.String())
	verified, err := exec.Command("fullthrow", "verify", filepath.Join(data, "records")).CombinedOutput()
	assert.NoError(t, err, "%s", verified)
	assert.NotContains(t, string(verified), "under way")
}
