package records

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"fullthrow/reports/archive"
	"fullthrow/reports/forward"
	"fullthrow/reports/store"
)

// PlantMemory is where a station remembers what the plant had, beside its
// records.
const PlantMemory = "plant.json"

// Seen is what index and plant have seen of the records in dir, as far as that
// stands beside them, and which repairs.
func (a *Place) Seen(ctx context.Context, dir string, errs io.Writer) ([]archive.Known, []string) {
	known := forward.WhatPlantHad(filepath.Join(dir, PlantMemory))
	if filepath.Base(dir) == "records" { // of a server, whose data folder is above
		known = append(known, forward.WhatPlantHad(filepath.Join(filepath.Dir(dir), PlantMemory))...)
	}
	seen, err := store.WhatIndexSaw(ctx, dir)
	if err != nil {
		fmt.Fprintf(errs, "note: what the index has seen of the records cannot be read: %v\n", err)
	}
	return append(known, seen.Reports...), seen.Repairs
}

// plantPatience is how long the plant is waited for when it is asked what it saw.
const plantPatience = time.Minute

// PlantSaw asks the plant what it has of the station whose records are in dir: by
// its keys, and where it knows none of them, by its name.
func (a *Place) PlantSaw(ctx context.Context, dsn, dir string) ([]archive.Known, error) {
	if err := ReadablePlant(dsn); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, plantPatience)
	defer cancel()
	p, err := store.OpenPlant(ctx, dsn, store.PlantOptions{})
	if err != nil {
		return nil, err
	}
	defer p.Close()
	stations, err := p.Stations(ctx)
	if err != nil {
		return nil, err
	}
	own := map[string]bool{}
	for _, k := range archive.Keys(dir) {
		own[k] = true
	}
	name := archive.StationOf(dir)
	var list, named []archive.Known
	for _, s := range stations {
		k := archive.Known{From: "plant", Number: s.Number, Hash: s.SHA256, Key: s.Key}
		switch {
		case own[s.Key]:
			list = append(list, k)
		case s.Station == name && name != "":
			named = append(named, k)
		}
	}
	if len(list) == 0 {
		return named, nil
	}
	return list, nil
}

// hasIndex says whether there is an index beside the records in dir.
func hasIndex(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, store.IndexFile))
	return err == nil
}
