package records

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/jackc/pgx/v5"

	"fullthrow/reports/archive"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/runner/input"
	"fullthrow/runner/terminal"
)

// PlantVariable holds the plant's database where --plant does not.
const PlantVariable = "FULLTHROW_PLANT"

// RecordsToKeep is where a station keeps its records that is told to keep them in
// dir: in the archive that is there, else in a new one in dir's folder below.
// None is begun within another: its runs would be in neither's chain.
func RecordsToKeep(dir, below string) (string, error) {
	if found, ok := archive.Find(dir); ok {
		return found, nil
	}
	begin, err := filepath.Abs(filepath.Join(dir, below))
	if err != nil {
		return "", err
	}
	for at := filepath.Dir(begin); ; at = filepath.Dir(at) {
		if found, ok := archive.Find(at); ok && found == at {
			return "", input.Usage("records in %s would lie within those in %s", dir, at).
				Hint("give --data " + at + ", or another folder")
		}
		if at == filepath.Dir(at) {
			return filepath.Join(dir, below), nil
		}
	}
}

// RecordsDir is the archive that --data names, or the usual one.
func (a *Place) RecordsDir() (string, error) {
	dir := a.Data
	if dir == "" {
		var err error
		if dir, err = StateDir(); err != nil {
			return "", err
		}
	}
	if _, err := os.Stat(dir); err != nil {
		f := input.Usage("records %s: no such folder", dir)
		if a.Data == "" {
			f.Hint("nothing was tested here yet; say where the records are with --data DIR")
		}
		return "", f
	}
	dir, _ = archive.Find(dir)
	return dir, nil
}

// plantDSN is the plant's database that was named, "" if the records in a
// folder are meant: --plant, else unless --data is given the variable.
func (a *Place) plantDSN(flag string) string {
	if flag == "" && a.Data == "" {
		return PlantVariableValue()
	}
	return flag
}

func PlantVariableValue() string { return os.Getenv(PlantVariable) }

// ReadablePlant refuses what is no connection string, without showing a password.
func ReadablePlant(dsn string) error {
	if _, err := pgx.ParseConfig(dsn); err != nil {
		return input.Usage("plant: %w", err).Hint("write it like postgres://station@plant.example/fullthrow")
	}
	return nil
}

// records are what the commands ask.
type records interface {
	review.Records
	io.Closer
}

// OpenStore opens what the yield commands ask, and says where that is and
// whether it is a plant's. What had to be put right goes to standard error.
func (a *Place) OpenStore(ctx context.Context, plant string) (records, string, bool, error) {
	if plant != "" && a.Data != "" {
		return nil, "", false, input.Usage("give either --data or --plant: the records of one station, or those of " +
			"the plant")
	}
	if dsn := a.plantDSN(plant); dsn != "" {
		if err := ReadablePlant(dsn); err != nil {
			return nil, "", true, err
		}
		p, err := store.OpenPlant(ctx, dsn, store.PlantOptions{})
		return p, "the plant's database", true, err
	}
	dir, err := a.RecordsDir()
	if err != nil {
		return nil, "", false, err
	}
	ix, err := a.OpenIndex(ctx, dir, false)
	if err != nil {
		return nil, "", false, err
	}
	return ix, dir, false, nil
}

// OpenIndex opens the index of the records in dir; deferred, without a look
// through all files. It shows progress where that takes long.
func (a *Place) OpenIndex(ctx context.Context, dir string, deferred bool) (*store.Index, error) {
	if _, ok := archive.Find(dir); !ok {
		return nil, input.Usage("%s holds no reports", dir).Hint("give the folder that --data of test, serve or " +
			"demo named")
	}
	if len(archive.Keys(dir)) == 0 {
		return nil, input.Usage("%s: the station's public key, station.pub, is missing", dir).Hint("put it back from a " +
			"copy: without it nobody can tell whose reports these are")
	}
	s := terminal.NewScreen(a.Errs)
	ix, err := store.OpenIndex(ctx, dir, store.IndexOptions{Defer: deferred, Write: deferred,
		Progress: Progress(s, "reading reports")})
	s.Now("")
	if err != nil {
		return nil, err
	}
	for _, note := range ix.Notes() {
		fmt.Fprintln(a.Errs, "note:", note)
	}
	return ix, nil
}

// Progress shows how far something is, in the live line.
func Progress(s *terminal.Screen, what string) func(done, total int) {
	return func(done, total int) {
		if total >= 100 && (done%50 == 0 || done == total) {
			s.Now("%s: %d of %d", what, done, total)
		}
	}
}

// indexPatience is how long a test waits for the index; the report is sealed
// by then, and whoever asks next finds it.
const indexPatience = 5 * time.Second

// IndexOne takes a report just sealed in dir into the index. That fails with no
// more than a note: the index is made of the reports, not they of it.
func (a *Place) IndexOne(dir string, sealed archive.Sealed) {
	ctx, cancel := context.WithTimeout(context.Background(), indexPatience)
	defer cancel()
	ix, err := store.OpenIndex(ctx, dir, store.IndexOptions{Defer: true, Write: true})
	if err == nil {
		err = ix.AddSealed(ctx, sealed)
		if err == nil {
			_, err = ix.Current(ctx) // so that readers find it up to date
		}
		err = errors.Join(err, ix.Close())
	}
	a.notIndexed(err)
}

func (a *Place) notIndexed(err error) {
	if err != nil {
		fmt.Fprintf(a.Errs, "note: the report is sealed, but not in the index yet: %v\n", err)
	}
}

// IndexLater opens the index of dir before a lot is tested; what it returns
// takes in what was sealed since. Trouble is no more than a note.
func (a *Place) IndexLater(ctx context.Context, dir string) func() {
	ix, err := a.OpenIndex(ctx, dir, true)
	if err != nil {
		a.notIndexed(err)
		return func() {}
	}
	return func() {
		_, err := ix.Reconcile(context.WithoutCancel(ctx))
		a.notIndexed(errors.Join(err, ix.Close()))
	}
}

// ProveIndex brings the index of dir, if there is one, up to date, so that what
// verify found leaves the yield as well: all has it read every report again.
func (a *Place) ProveIndex(ctx context.Context, dir string, all bool, out io.Writer) {
	if !hasIndex(dir) {
		return
	}
	err := func() error {
		ix, err := a.OpenIndex(ctx, dir, true)
		if err != nil {
			return err
		}
		s := terminal.NewScreen(a.Errs)
		look := func() (store.Reconciled, error) { return ix.Reconcile(ctx) }
		if all {
			look = func() (store.Reconciled, error) { return ix.Prove(ctx, Progress(s, "index")) }
		}
		r, err := look()
		s.Now("")
		if err == nil && r.Flags > 0 {
			fmt.Fprintf(out, "in the index: %s that the yield does not count\n", wording.Count(r.Flags, "report"))
		}
		return errors.Join(err, ix.Close())
	}()
	if err != nil {
		fmt.Fprintf(a.Errs, "note: the index could not be brought up to date: %v\n", err)
	}
}

// Place is where a command reads or keeps records, and where it says what had to
// be put right.
type Place struct {
	Data string // --data
	Errs io.Writer
}

// StateDir is where records go when nothing else is said.
func StateDir() (string, error) {
	if dir := os.Getenv("XDG_STATE_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "fullthrow"), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", input.Usage("there is no home directory to keep the records in: %w",
			err).Hint("say where with --data DIR")
	}
	return filepath.Join(home, ".local", "state", "fullthrow"), nil
}

// OpenArchive opens the station's records in dir, or begins them in its folder
// below, and says what had to be put right. Simulated units are not added to the
// records of real ones.
func (a *Place) OpenArchive(dir, below, station string, simulated bool) (*archive.Archive, error) {
	dir, err := RecordsToKeep(dir, below)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(context.Background(), indexPatience)
	known, _ := a.Seen(ctx, dir, a.Errs)
	cancel()
	records, err := archive.Open(dir, station, archive.OfThis(dir, known)...)
	if err != nil {
		return nil, err
	}
	records.LookUp(LookUp{Errs: a.Errs, Open: func(ctx context.Context) (*store.Index, error) {
		return store.OpenIndex(ctx, dir, store.IndexOptions{Defer: true, Write: true})
	}})
	if simulated {
		if err := onlySimulated(records); err != nil {
			return nil, errors.Join(err, records.Close())
		}
	}
	for _, s := range records.Recovered() {
		fmt.Fprintf(a.Errs, "note: the run of %s that began %s was cut short; its report says %s%s\n",
			s.Report.Unit.SerialNumber, s.Report.Started.Local().Format("2006-01-02 15:04:05"), s.Report.Outcome,
			wording.Prefixed("; ", wording.English().Reason(s.Report.Guardian)))
	}
	for _, p := range records.Problems() {
		fmt.Fprintf(a.Errs, "note: records: %s\n", p.Error())
	}
	return records, nil
}

// onlySimulated refuses to add simulated units to the records of real ones.
func onlySimulated(records *archive.Archive) error {
	entry, ok := records.Newest()
	if !ok {
		return nil
	}
	newest, err := records.Load(entry.Run)
	if err != nil || newest.Report.Simulated {
		return nil // what cannot be read is for verify to say
	}
	return input.Usage("the records in %s are of real units: simulated ones do not go with them", records.Dir()).
		Hint("give another folder with --data")
}
