package forward

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

// BenchmarkCatalogue finds what is to be sent among 60 000 reports of 100
// days: nothing, the newest day, all of them.
func BenchmarkCatalogue(b *testing.B) {
	dir := b.TempDir()
	const days, perDay = 100, 600
	number := 0
	at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	body := strings.Repeat("x", 12000)
	for d := range days {
		day := filepath.Join(dir, at.AddDate(0, 0, d).Format("2006/01/02"))
		require.NoError(b, os.MkdirAll(day, 0o755))
		for n := range perDay {
			number++
			text := fmt.Sprintf(`{"report":{%s},"seal":{"number":%d,"previous":"%064x","sha256":"%064x","key":"k","signature":"%0128x"}}`+"\n", body, number, number-1, number, 0)
			name := reports.NewRunID(at.AddDate(0, 0, d).Add(time.Duration(n)*time.Minute), "LQ-1", "A")
			require.NoError(b, os.WriteFile(filepath.Join(day, name+".json"), []byte(text), 0o644))
		}
	}
	require.NoError(b, os.WriteFile(filepath.Join(dir, "chain"), fmt.Appendf(nil, `{"number":%d,"hash":"%064x","file":"x"}`, number, number), 0o644))
	later := time.Now().Add(time.Hour)
	for _, c := range []struct {
		name string
		sent int
	}{{"nothing", number}, {"a day", number - perDay}, {"all", 0}} {
		b.Run(c.name, func(b *testing.B) {
			var l *catalogue
			for b.Loop() {
				l = newCatalogue(dir, archive.Place{Number: int64(c.sent), SHA256: fmt.Sprintf("%064x", c.sent), Key: "k"})
				require.NoError(b, l.refresh(later))
				require.Len(b, l.pending, number-c.sent)
			}
		})
	}
	b.Run("look again", func(b *testing.B) {
		l := newCatalogue(dir, archive.Place{})
		require.NoError(b, l.refresh(later))
		for b.Loop() {
			require.NoError(b, l.refresh(later))
		}
	})
}
