package bench

import (
	"context"
	"maps"
	"slices"
	"sync"
	"time"

	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/runner/crash"
	"fullthrow/runner/station"
)

const (
	// rescueAgain is how long a port that is not free yet, or a device that did
	// not confirm, is left alone before it is tried again.
	rescueAgain = 20 * time.Millisecond
	// rescueSettle is after what time a device that is safe is made safe once
	// more: what a program that is gone had sent may still be on its way.
	rescueSettle = 100 * time.Millisecond
)

// rescueGroup is the devices behind one port, of a nest that is made safe.
type rescueGroup struct {
	port    string
	roles   []string // of its devices
	outputs []string // on them
}

// Rescue makes nest i safe for a process that is gone and had its devices open:
// it opens what can hurt and what has outputs, every port beside the others and no
// matter what becomes of those, and makes it safe. A port that is not free yet, and
// a device that does not confirm, is tried again until patience is over. Nothing is
// open when it returns. The interlock and devices that only read are left alone.
func (b *File) Rescue(ctx context.Context, i int, h hardware, patience time.Duration) station.Safety {
	groups := b.rescueGroups(i)
	end := time.Now().Add(patience)
	results := make([]station.Safety, len(groups))
	var wg sync.WaitGroup
	cuts := b.cutsOf(i)
	var mu sync.Mutex // for results
	for k, g := range groups {
		wg.Go(func() {
			defer crash.Guard()
			for first := true; ; first = false {
				made := b.rescueOnce(ctx, i, h, g)
				mu.Lock()
				results[k] = made
				failed := len(cutSafe(slices.Concat(results...), made, cuts).Failed())
				mu.Unlock()
				if failed == 0 || !first && !time.Now().Before(end) {
					return
				}
				time.Sleep(rescueAgain)
			}
		})
	}
	wg.Wait()
	all := slices.Concat(results...)
	return cutSafe(all, all, cuts)
}

// cutsOf is, by role, what output cuts the power of a machine of nest i.
func (b *File) cutsOf(i int) map[string]string {
	cuts := map[string]string{}
	for role, d := range b.Nests[i].Devices {
		if d.Stop != "" {
			cuts[role] = d.Stop
		}
	}
	return cuts
}

// cutSafe is some with the machines in it that did not say that they are safe, and
// whose power an output in all has cut: they stand.
func cutSafe(all, some station.Safety, cuts map[string]string) station.Safety {
	some = slices.Clone(some)
	for k, m := range some {
		by := cuts[m.Role]
		if m.Err == nil || by == "" {
			continue
		}
		for _, o := range all {
			if o.Role == by && o.Err == nil {
				some[k].Err = nil
				some[k].Stood = &reports.Stood{Device: m.Role, Known: true, Cut: by}
			}
		}
	}
	return some
}

// rescueGroups is what Rescue opens of nest i.
func (b *File) rescueGroups(i int) []rescueGroup {
	file := b.Nests[i]
	rows := map[string]driverRow{}
	for _, r := range b.driverRows() {
		rows[r.name] = r
	}
	var groups []rescueGroup
	for _, role := range slices.Sorted(maps.Keys(file.Devices)) {
		d := file.Devices[role]
		var outputs []string
		for _, o := range slices.Sorted(maps.Keys(file.Outputs)) {
			if file.Outputs[o].Device == role {
				outputs = append(outputs, o)
			}
		}
		if h := rows[d.Driver].drivesOf(d); len(outputs) == 0 && (h == drivers.Nothing || h == drivers.ByOutputs) {
			continue
		}
		k := -1
		if rows[d.Driver].bus != nil {
			k = slices.IndexFunc(groups, func(g rescueGroup) bool { return g.port == d.Port })
		}
		if k < 0 {
			k, groups = len(groups), append(groups, rescueGroup{port: d.Port})
		}
		groups[k].roles = append(groups[k].roles, role)
		groups[k].outputs = append(groups[k].outputs, outputs...)
	}
	return groups
}

// rescueOnce makes one group safe, and once more when all has settled.
func (b *File) rescueOnce(ctx context.Context, i int, h hardware, g rescueGroup) (made station.Safety) {
	// The nest as if it had nothing else.
	part := *b
	nest := b.Nests[i]
	nest.Devices, nest.Outputs = map[string]deviceFile{}, map[string]lineFile{}
	nest.Inputs, nest.Interlock, nest.Heartbeat = nil, "", ""
	for _, role := range g.roles {
		nest.Devices[role] = b.Nests[i].Devices[role]
	}
	for _, role := range g.outputs {
		nest.Outputs[role] = b.Nests[i].Outputs[role]
	}
	part.Nests = []nestFile{nest}
	failed := func(err error) (all station.Safety) {
		for _, role := range g.roles {
			all = append(all, station.Made{Role: role, Drives: b.drives(i, role), Err: err})
		}
		for _, role := range g.outputs {
			all = append(all, station.Made{Role: role, Drives: b.drives(i, role), Err: err})
		}
		return all
	}
	defer func() {
		if p := recover(); p != nil {
			made = failed(drivers.Errorf(g.port, "make safe", drivers.Fault, "internal error: %v", p))
		}
	}()
	n, err := part.Open(ctx, 0, h)
	if err != nil {
		return failed(err)
	}
	defer n.Close()
	for range 2 {
		if made = station.MakeSafe(h.Clock, n.Devices, n.Drives); len(made.Failed()) > 0 {
			return made
		}
		if drivers.System.Sleep(ctx, rescueSettle) != nil {
			return made
		}
	}
	return made
}

// drives is what a role of nest i can hurt people with.
func (b *File) drives(i int, role string) []drivers.Hazard {
	file := b.Nests[i]
	if o, ok := file.Outputs[role]; ok {
		return []drivers.Hazard{o.drives()}
	}
	d := file.Devices[role]
	for _, r := range b.driverRows() {
		if r.name != d.Driver {
			continue
		}
		if h := r.drivesOf(d); h != drivers.ByOutputs {
			return []drivers.Hazard{h}
		}
		return file.byOutputs(role)
	}
	return nil
}
