package main

import (
	"cmp"
	"context"
	"crypto/sha256"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/wording"
	"fullthrow/runner/input"
	"fullthrow/runner/records"
	"fullthrow/runner/terminal"
)

// verifyOptions are the flags of verify.
type verifyOptions struct {
	all            bool
	witness, plant string
}

// sealRule is the rule by which seals are checked, as a script that does it; README
// has it as it stands here.
//
//go:embed sealcheck.sh
var sealRule string

// verifyCommand proves an archive.
func (a *app) verifyCommand() *cobra.Command {
	var o verifyOptions
	var rule bool
	c := &cobra.Command{
		Use: "verify DIR", Short: "Prove that no report was changed, removed or slipped in",
		Long: `Prove that no report was changed, removed or slipped in.

Each report is proved by its seal, the station's key, its place in the chain and
what it says itself; the newest by the head that the station signed, and by what
the index, and the plant, have seen. Files that were read and proved before, and
that by size, times and place on the disk nobody has written to since, are not
read again: --all reads all of them.

Whoever puts back the whole folder as it was yesterday, index and all, is found
out by what others keep: the plant's database (--plant), or a witness. That is one
line of text, which --witness FILE writes at the first time; it belongs on paper,
or on somebody's telephone. Later times prove that the records still hold that
report, and move the witness on. --witness - reads it as it is typed.`,
		Args: func(cmd *cobra.Command, args []string) error {
			if rule {
				return takes()(cmd, args)
			}
			return takes("DIR")(cmd, args)
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if rule {
				_, err := io.WriteString(a.out, sealRule)
				return err
			}
			return a.verify(cmd.Context(), args[0], o)
		},
	}
	c.Flags().BoolVar(&rule, "rule", false, "print the rule by which seals are checked, as a shell script that needs "+
		"openssl and sha256sum alone")
	c.Flags().BoolVar(&o.all, "all", false, "read every file, also those that were proved before")
	c.Flags().StringVar(&o.witness, "witness", "", "check the witness in `FILE` and move it on, or write it; - reads it "+
		"from the keyboard")
	c.Flags().StringVar(&o.plant, "plant", "", "`DSN` of the plant's database, to ask it what it has seen; default: "+
		records.PlantVariable)
	return c
}

func (a *app) verify(ctx context.Context, dir string, o verifyOptions) error {
	if _, err := os.Stat(dir); err != nil {
		return input.MissingFile("records", dir, err)
	}
	dir, _ = archive.Find(dir)
	var kept *archive.Witness
	if o.witness != "" {
		var err error
		if kept, err = a.readWitness(o.witness); err != nil {
			return err
		}
	}
	known, repairs := a.Seen(ctx, dir, a.Errs)
	if dsn := cmp.Or(o.plant, records.PlantVariableValue()); dsn != "" {
		plant, err := a.PlantSaw(ctx, dsn, dir)
		if err != nil {
			return (&input.Failure{Code: input.ExitBench, Err: err}).Hint("without --plant, and " + records.PlantVariable +
				" empty, the records are proved by themselves")
		}
		known = append(known, plant...)
	}
	s := terminal.NewScreen(a.Errs)
	v, err := archive.VerifyWith(ctx, dir, archive.VerifyOptions{Checkpoint: checkpointOf(dir), All: o.all,
		Known: known, Repairs: repairs, Progress: records.Progress(s, "reading reports")})
	s.Now("")
	if err != nil {
		return err
	}
	if v.Reports == 0 && len(v.Problems) == 0 && len(v.Pending) == 0 {
		return input.Usage("%s holds no reports", dir).Hint("give the folder that --data of test, serve or demo named")
	}
	a.tellVerified(v, o.all)
	for _, p := range v.Notes {
		fmt.Fprintf(a.out, "note: %s\n", p.Error())
	}
	a.ProveIndex(ctx, dir, o.all || len(v.Problems) > 0, a.out)
	moved, err := a.witness(v, kept, o.witness)
	if err != nil {
		return err
	}
	if len(v.Problems) == 0 {
		fmt.Fprintln(a.out, "every report is as it was sealed, and none is missing")
		fmt.Fprintln(a.out, terminal.Line(moved))
		return nil
	}
	fmt.Fprintf(a.out, "%s:\n", wording.Count(len(v.Problems), "problem"))
	for _, p := range v.Problems {
		text := p.Text
		if p.Because != nil {
			text = "it contradicts itself: " + wording.English().Reason(p.Because)
		}
		if p.Code != "" {
			text += " [" + p.Code + "]"
		}
		printProblem(a.out, input.Problem{File: p.File, Text: text, Hint: p.Hint})
	}
	if len(v.Key) > 0 {
		fmt.Fprintln(a.out, "every report not named here fits its seal and the station's key")
	}
	if moved != "" {
		fmt.Fprintln(a.out, terminal.Line(moved))
	}
	return quiet(input.ExitFailed)
}

// tellVerified says what was read.
func (a *app) tellVerified(v *archive.Verification, all bool) {
	var ends []string
	for _, o := range []reports.Outcome{reports.Passed, reports.Failed, reports.Errored, reports.Aborted} {
		if v.Outcomes[o] > 0 {
			ends = append(ends, fmt.Sprintf("%d %s", v.Outcomes[o], o))
		}
	}
	fmt.Fprintf(a.out, "%s read: %s\n", wording.Count(v.Reports, "report"), strings.Join(ends, ", "))
	if v.Unread > 0 {
		fmt.Fprintf(a.out, "%d of them not again: proved %s, and nobody has written to their files since "+
			"(--all reads all)\n", v.Unread, v.Since.Local().Format("2006-01-02 15:04"))
	}
	if all {
		fmt.Fprintln(a.out, "each from its file, also those that were proved before")
	}
	if v.Repairs > 0 {
		fmt.Fprintf(a.out, "%s read\n", wording.Count(v.Repairs, "repair"))
	}
	if len(v.Key) > 0 {
		fmt.Fprintf(a.out, "station key %s\n", archive.Fingerprint(v.Key))
	}
	if v.Number > 0 {
		fmt.Fprintf(a.out, "newest is number %d, %s\n", v.Number, v.Head[:min(16, len(v.Head))])
	}
	if v.OldHead {
		fmt.Fprintln(a.out, "its head is not signed: an earlier version wrote it; it is signed when the station next "+
			"opens the records")
	}
	for _, p := range v.Pending {
		fmt.Fprintf(a.out, "under way or cut short: %s\n", p)
	}
}

// checkpointOf is where it is remembered what was proved of the records in dir:
// not among them. "" where there is no place for it.
func checkpointOf(dir string) string {
	cache, err := os.UserCacheDir()
	if err != nil {
		return ""
	}
	abs, err := filepath.Abs(dir)
	if err != nil {
		return ""
	}
	// Another archive that takes the folder's place has another key.
	first := ""
	if keys := archive.Keys(dir); len(keys) > 0 {
		first = keys[0]
	}
	sum := sha256.Sum256([]byte(abs + "\n" + first))
	return filepath.Join(cache, "fullthrow", "verified", fmt.Sprintf("%x", sum[:8]))
}

// readWitness reads what somebody has kept; nil where there is nothing yet.
func (a *app) readWitness(file string) (*archive.Witness, error) {
	var text []byte
	var err error
	if file == "-" {
		fmt.Fprintln(a.Errs, "type the witness as it stands on the paper: STATION / NUMBER / DATE TIME / SIGNS")
		for b := make([]byte, 1); err == nil && len(text) < 4096; { // one line, and nothing after it
			var n int
			if n, err = a.in.Read(b); n > 0 {
				text = append(text, b[0])
				if b[0] == '\n' && strings.TrimSpace(string(text)) != "" {
					break
				}
			}
		}
		if errors.Is(err, io.EOF) {
			err = nil
		}
	} else if text, err = os.ReadFile(file); errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, input.Usage("witness: %w", err)
	}
	w, err := archive.ParseWitness(string(text))
	if err != nil {
		return nil, input.Usage("%w", err).Hint("it looks like: " + archive.Witness{Station: "LQ-1", Number: 1234,
			At: time.Date(2026, 11, 30, 19, 54, 0, 0, time.UTC), Hash: strings.Repeat("5a", 16)}.String())
	}
	return &w, nil
}

// witness checks the records against what was kept, and says what is to be kept
// from now on. Records that are behind, or another's, move no witness on.
func (a *app) witness(v *archive.Verification, kept *archive.Witness, file string) (string, error) {
	if kept != nil {
		if !kept.Of(v.Station) {
			return "", input.Usage("witness: it is of station %s, and these are the records of %s", kept.Station, v.Station).
				Hint("give the witness of this station, or another file")
		}
		if v.Sees(kept.Known()) {
			fmt.Fprintf(a.out, "the witness of %s fits: report number %d is here as it was then\n",
				kept.At.Local().Format("2006-01-02 15:04"), kept.Number)
		}
	}
	w, ok := v.Witness(time.Now())
	bad := slices.ContainsFunc(v.Problems, func(p reports.Problem) bool {
		switch p.Code {
		case archive.RolledBack, archive.KeyReplaced, archive.KeyForged, archive.HeadForged, archive.HeadMissing,
			archive.HeadOther:
			return true
		}
		return false
	})
	switch {
	case !ok:
		return "", nil
	case bad && file != "":
		return "the witness was not moved on", nil
	case bad:
		return "", nil
	case file == "" || file == "-":
		return "witness, for somebody else to keep: " + w.String(), nil
	}
	text := "# The newest report of a station, for fullthrow verify --witness. Keep it where the\n" +
		"# station cannot write: on paper, on a telephone.\n" + w.String() + "\n"
	temp := file + ".new"
	if err := os.WriteFile(temp, []byte(text), 0o644); err != nil {
		return "", input.Usage("witness: %w", err)
	}
	if err := os.Rename(temp, file); err != nil {
		return "", input.Usage("witness: %w", err)
	}
	return "witness kept in " + file + ": " + w.String(), nil
}
