package script

import (
	"sync/atomic"

	lua "github.com/yuin/gopher-lua"

	"fullthrow/drivers"
)

// underWay counts the runs of this process that have a script: the heap is theirs
// together.
var underWay atomic.Int64

// What values of the interpreter take, in bytes, about.
const (
	tableBytes = 120
	slotBytes  = 16   // of an array
	entryBytes = 70   // of the other part
	firstMany  = 32   // entries for which that part has room from the beginning
	smallBytes = 100  // functions, values of Go
	frameBytes = 60   // of a received frame
	pointBytes = 8    // of a capture's list
	mostLevels = 1000 // of tables within tables; what is below counts for nothing
)

// holds counts what the run keeps alive, in bytes, up to enough: what can be reached
// from the locals of its functions under way. It may miss what lies only between two
// instructions, or within an iterator; it never counts what another run has.
func (t *task) holds(enough int64) int64 {
	w := &weighing{enough: enough, seen: map[any]bool{}}
	tasks := []*task{t}
	if t.run.main != t {
		tasks = append(tasks, t.run.main)
	}
	for _, k := range tasks {
		for level := 0; !w.done(); level++ {
			d, ok := k.L.GetStack(level)
			if !ok {
				break
			}
			if fn, err := k.L.GetInfo("f", d, nil); err == nil {
				w.add(fn, 0)
			}
			for i := 1; ; i++ {
				name, v := k.L.GetLocal(d, i)
				if name == "" {
					break
				}
				w.add(v, 0)
			}
		}
	}
	for _, b := range t.run.bodies {
		if b.fn != nil {
			w.add(b.fn, 0)
		}
	}
	return w.bytes
}

// weighing sums up values, each once.
type weighing struct {
	bytes, enough int64
	seen          map[any]bool
}

func (w *weighing) done() bool { return w.bytes >= w.enough }

func (w *weighing) add(v lua.LValue, level int) {
	if w.done() || level > mostLevels || v == nil {
		return
	}
	switch x := v.(type) {
	case lua.LString:
		w.bytes += int64(len(x)) + slotBytes
	case *lua.LTable:
		if w.seen[x] {
			return
		}
		w.seen[x] = true
		n := x.MaxN()
		w.bytes += tableBytes + int64(n)*slotBytes
		entries := 0
		x.ForEach(func(key, value lua.LValue) {
			if w.done() {
				return
			}
			if i, ok := key.(lua.LNumber); !ok || i < 1 || int(i) > n {
				if entries == 0 {
					w.bytes += firstMany * entryBytes
				}
				if entries++; entries > firstMany {
					w.bytes += entryBytes
				}
				w.add(key, level+1)
			}
			w.add(value, level+1)
		})
		if x.Metatable != lua.LNil {
			w.add(x.Metatable, level+1)
		}
	case *lua.LFunction:
		if w.seen[x] {
			return
		}
		w.seen[x] = true
		w.bytes += smallBytes
		for _, u := range x.Upvalues {
			if u != nil {
				w.add(u.Value(), level+1)
			}
		}
	case *lua.LUserData:
		if w.seen[x] {
			return
		}
		w.seen[x] = true
		w.bytes += smallBytes
		switch c := x.Value.(type) {
		case drivers.Samples:
			w.bytes += int64(len(c.Values)) * pointBytes
		case drivers.Frames:
			w.bytes += int64(len(c.Frames)) * frameBytes
		case drivers.Picture:
			w.bytes += int64(len(c.RGB) + len(c.File))
		case *failure:
			w.bytes += int64(len(c.trace)+len(c.hint)) + 1024
		}
	}
}
