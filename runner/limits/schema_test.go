package limits

import (
	"fmt"
	"reflect"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/runner/input"
)

// keysOf are the keys of a struct for schemas, but for one that takes the rest.
func keysOf(t reflect.Type) (keys []string) {
	for i := range t.NumField() {
		if key, rest, _ := strings.Cut(t.Field(i).Tag.Get("toml"), ","); rest == "" {
			keys = append(keys, key)
		}
	}
	return keys
}

// unknown says whether a file has a key that Parse does not know.
func unknown(t *testing.T, text, key string) bool {
	t.Helper()
	_, err := Parse("limits.toml", []byte(text))
	if err == nil {
		return false
	}
	problems, _ := input.Problems(err)
	require.NotEmpty(t, problems)
	for _, p := range problems {
		if strings.Contains(p.Text, fmt.Sprintf("unknown key %q", key)) {
			return true
		}
	}
	return false
}

// What the schema of limits files says and what Parse reads are the same keys, of the
// file and of a limit, and a value is of the same kind in both.
func TestSchemaIsWhatParseReads(t *testing.T) {
	assert.ElementsMatch(t, keys, keysOf(reflect.TypeFor[bound]()), "the keys of a limit")
	for _, key := range append(keysOf(reflect.TypeFor[bound]()), "no_such_key") {
		text := "product = \"buoy\"\n[check.reading]\nupper = 1\nunit = \"V\"\nwhy = \"for this test\"\n"
		if !strings.Contains(text, "\n"+key+" =") {
			text += key + " = 1\n"
		}
		assert.Equal(t, key == "no_such_key", unknown(t, text, key), key)
	}
	for _, key := range append(keysOf(reflect.TypeFor[shape]()), "no_such_key") {
		text := "product = \"buoy\"\n"
		if key != "product" {
			text += key + " = 1\n"
		}
		assert.Equal(t, key == "no_such_key", unknown(t, text, key), key)
	}
	// A value of another kind than the schema has is refused, with the key's name.
	bounds := reflect.TypeFor[bound]()
	for i := range bounds.NumField() {
		f := bounds.Field(i)
		key := f.Tag.Get("toml")
		wrong := ""
		switch f.Type.Kind() {
		case reflect.String:
			wrong = "1"
		case reflect.Float64:
			wrong = `"a"`
		case reflect.Slice:
			wrong = "1"
		case reflect.Interface:
			wrong = "[1]"
		}
		require.NotEmpty(t, wrong, key)
		_, err := Parse("limits.toml", []byte("product = \"buoy\"\n[check.reading]\n"+key+" = "+wrong+"\n"))
		require.Error(t, err, key)
		problems, _ := input.Problems(err)
		said := ""
		for _, p := range problems {
			said += p.Text + "\n"
		}
		assert.Contains(t, said, key+" must be", key)
	}
}
