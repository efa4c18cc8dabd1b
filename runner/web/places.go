package web

import (
	"cmp"
	"net"
	"net/netip"
	"slices"
	"sync"
)

// Why somebody is not let in; a label of the metrics.
const (
	refusedFull    = "full"    // every place is taken
	refusedAddress = "address" // the client's address has as many as one may have
	refusedHost    = "host"    // asked for under a name that is not the station's
	refusedOrigin  = "origin"  // by a page of another site
)

// room is how much there is for clients.
type room struct {
	places int // at once
	each   int // of one address
	near   int // of the places, for this computer alone: the operator at the fixture
}

// Connections and followers, by how many files the program may have open. What is
// left is for runs: ports, journals, reports, the index, the plant.
func rooms(files int) (connections, followers room) {
	const unknown, most = 1024, 1024
	if files <= 0 {
		files = unknown
	}
	n := min(max(files-max(64, files/4), 8), most)
	connections = room{places: n, each: max(n/2, 4), near: n / 4}
	// Followers stay; what they may not take answers everything else.
	f := max(n/2, 2)
	return connections, room{places: f, each: max(f/2, 2), near: f / 4}
}

// places are shared by clients: each address has its part, this computer a part of
// its own, and where all are taken, who has most gives way to who has less.
type places struct {
	room

	mu    sync.Mutex
	taken []*place // in their order
}

// place is one that is taken.
type place struct {
	of   *places
	from client
	// yields says how readily it gives way: 0 not at all, else the more the higher.
	// It is called with the lock of places held.
	yields func() int
	leave  func() // tells whoever has it; called without the lock
}

// client is who shares: an address, or the /64 of IPv6, of which one computer has all.
type client struct {
	prefix netip.Prefix
	near   bool // this computer
}

// clientOf takes an address with a port, as connections have.
func clientOf(remote string) client {
	host, _, err := net.SplitHostPort(remote)
	if err != nil {
		host = remote
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return client{}
	}
	ip = ip.Unmap().WithZone("")
	bits := ip.BitLen()
	if ip.Is6() && !ip.IsLoopback() {
		bits = 64
	}
	prefix, _ := ip.Prefix(bits) // never fails: bits are within the address
	return client{prefix, ip.IsLoopback()}
}

// take gives the client a place, and tells whoever has to leave for it. Where there
// is none it says why.
func (p *places) take(from client, yields func() int, leave func()) (got *place, why string) {
	p.mu.Lock()
	own, far := 0, 0
	for _, t := range p.taken {
		if t.from == from {
			own++
		}
		if !t.from.near {
			far++
		}
	}
	var out *place
	switch {
	case own >= p.each:
		out, why = p.choose(func(t *place) bool { return t.from == from }), refusedAddress
	case len(p.taken) >= p.places:
		out, why = p.choose(p.gives(from, own)), refusedFull
	case !from.near && far >= p.places-p.near:
		gives := p.gives(from, own)
		out, why = p.choose(func(t *place) bool { return !t.from.near && gives(t) }), refusedFull
	}
	if why != "" && out == nil {
		p.mu.Unlock()
		return nil, why
	}
	if out != nil {
		p.drop(out)
	}
	got = &place{of: p, from: from, yields: yields, leave: leave}
	p.taken = append(p.taken, got)
	p.mu.Unlock()
	if out != nil {
		out.leave()
	}
	return got, ""
}

// idle is what yields says of a place that is not in use now.
const idle = 3

// gives says which places give way to a client that has own of them: those not in
// use, those of an address that has more, and to this computer any of others.
func (p *places) gives(from client, own int) func(*place) bool {
	count := map[client]int{}
	for _, t := range p.taken {
		count[t.from]++
	}
	return func(t *place) bool {
		return t.yields() >= idle || count[t.from] > own+1 || from.near && !t.from.near
	}
}

// choose is the place that gives way most readily, of those the one of the address
// that has most, the oldest.
func (p *places) choose(may func(*place) bool) *place {
	count := map[client]int{}
	for _, t := range p.taken {
		count[t.from]++
	}
	var list []*place
	for _, t := range p.taken {
		if t.yields() > 0 && may(t) {
			list = append(list, t)
		}
	}
	if len(list) == 0 {
		return nil
	}
	slices.SortStableFunc(list, func(a, b *place) int {
		return cmp.Or(cmp.Compare(b.yields(), a.yields()), cmp.Compare(count[b.from], count[a.from]))
	})
	return list[0]
}

// drop is called with the lock held.
func (p *places) drop(t *place) bool {
	i := slices.Index(p.taken, t)
	if i < 0 {
		return false
	}
	p.taken = slices.Delete(p.taken, i, i+1)
	return true
}

// free gives the place back; more than once does nothing.
func (t *place) free() {
	t.of.mu.Lock()
	defer t.of.mu.Unlock()
	t.of.drop(t)
}

func (p *places) count() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.taken)
}
