package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/spf13/cobra"

	"fullthrow/reports/archive"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/runner/input"
	"fullthrow/runner/terminal"
)

// plantVariable holds the plant's database where --plant does not.
const plantVariable = "FULLTHROW_PLANT"

// readFlags adds the flags that say which records are read.
func (a *app) readFlags(c *cobra.Command, plant *string) {
	c.Flags().StringVar(&a.data, "data", "", "read the records in `DIR`; default: "+plantVariable+" if it is set, else ~/.local/state/fullthrow")
	c.Flags().StringVar(plant, "plant", "", "read the plant's database at `DSN`, like postgres://user@host/fullthrow;\na password is better kept in "+plantVariable+", where nobody sees it")
}

// recordsToKeep is where a station keeps its records that is told to keep them in
// dir: in the archive that is there, else in a new one in dir's folder below.
// None is begun within another: its runs would be in neither's chain.
func recordsToKeep(dir, below string) (string, error) {
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

// recordsDir is the archive that --data names, or the usual one.
func (a *app) recordsDir() (string, error) {
	dir := a.data
	if dir == "" {
		var err error
		if dir, err = stateDir(); err != nil {
			return "", err
		}
	}
	if _, err := os.Stat(dir); err != nil {
		f := input.Usage("records %s: no such folder", dir)
		if a.data == "" {
			f.Hint("nothing was tested here yet; say where the records are with --data DIR")
		}
		return "", f
	}
	dir, _ = archive.Find(dir)
	return dir, nil
}

// plantDSN is the plant's database that was named, "" if the records in a
// folder are meant: --plant, else unless --data is given the variable.
func (a *app) plantDSN(flag string) string {
	if flag == "" && a.data == "" {
		return plantVariableValue()
	}
	return flag
}

func plantVariableValue() string { return os.Getenv(plantVariable) }

// readablePlant refuses what is no connection string, without showing a password.
func readablePlant(dsn string) error {
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

// openStore opens what the yield commands ask, and says where that is and
// whether it is a plant's. What had to be put right goes to standard error.
func (a *app) openStore(ctx context.Context, plant string) (records, string, bool, error) {
	if plant != "" && a.data != "" {
		return nil, "", false, input.Usage("give either --data or --plant: the records of one station, or those of the plant")
	}
	if dsn := a.plantDSN(plant); dsn != "" {
		if err := readablePlant(dsn); err != nil {
			return nil, "", true, err
		}
		p, err := store.OpenPlant(ctx, dsn, store.PlantOptions{})
		return p, "the plant's database", true, err
	}
	dir, err := a.recordsDir()
	if err != nil {
		return nil, "", false, err
	}
	ix, err := a.openIndex(ctx, dir, false)
	if err != nil {
		return nil, "", false, err
	}
	return ix, dir, false, nil
}

// openIndex opens the index of the records in dir; deferred, without a look
// through all files. It shows progress where that takes long.
func (a *app) openIndex(ctx context.Context, dir string, deferred bool) (*store.Index, error) {
	if _, err := archive.PublicKey(dir); err != nil {
		return nil, input.Usage("%s holds no reports", dir).Hint("give the folder that --data of test, serve or demo named")
	}
	s := terminal.NewScreen(a.errs)
	ix, err := store.OpenIndex(ctx, dir, store.IndexOptions{Defer: deferred, Progress: progress(s, "reading reports")})
	s.Now("")
	if err != nil {
		return nil, err
	}
	for _, note := range ix.Notes() {
		fmt.Fprintln(a.errs, "note:", note)
	}
	return ix, nil
}

// progress shows how far something is, in the live line.
func progress(s *terminal.Screen, what string) func(done, total int) {
	return func(done, total int) {
		if total >= 100 && (done%50 == 0 || done == total) {
			s.Now("%s: %d of %d", what, done, total)
		}
	}
}

// indexPatience is how long a test waits for the index; the report is sealed
// by then, and whoever asks next finds it.
const indexPatience = 5 * time.Second

// indexOne takes a report just sealed in dir into the index. That fails with no
// more than a note: the index is made of the reports, not they of it.
func (a *app) indexOne(dir string, sealed archive.Sealed) {
	ctx, cancel := context.WithTimeout(context.Background(), indexPatience)
	defer cancel()
	ix, err := store.OpenIndex(ctx, dir, store.IndexOptions{Defer: true})
	if err == nil {
		err = errors.Join(ix.AddSealed(ctx, sealed), ix.Close())
	}
	a.notIndexed(err)
}

func (a *app) notIndexed(err error) {
	if err != nil {
		fmt.Fprintf(a.errs, "note: the report is sealed, but not in the index yet: %v\n", err)
	}
}

// indexLater opens the index of dir before a lot is tested; what it returns
// takes in what was sealed since. Trouble is no more than a note.
func (a *app) indexLater(ctx context.Context, dir string) func() {
	ix, err := a.openIndex(ctx, dir, true)
	if err != nil {
		a.notIndexed(err)
		return func() {}
	}
	return func() {
		_, err := ix.Reconcile(context.WithoutCancel(ctx))
		a.notIndexed(errors.Join(err, ix.Close()))
	}
}

// proveIndex has the index of dir, if there is one, read every report again, so
// that what verify found leaves the yield as well.
func (a *app) proveIndex(ctx context.Context, dir string) {
	if _, err := os.Stat(filepath.Join(dir, store.IndexFile)); err != nil {
		return
	}
	err := func() error {
		ix, err := a.openIndex(ctx, dir, true)
		if err != nil {
			return err
		}
		s := terminal.NewScreen(a.errs)
		r, err := ix.Prove(ctx, progress(s, "index"))
		s.Now("")
		if err == nil && r.Flags > 0 {
			fmt.Fprintf(a.out, "in the index: %s that the yield does not count\n", wording.Count(r.Flags, "report"))
		}
		return errors.Join(err, ix.Close())
	}()
	if err != nil {
		fmt.Fprintf(a.errs, "note: the index could not be brought up to date: %v\n", err)
	}
}
