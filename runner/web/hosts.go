package web

import (
	"net"
	"net/http"
	"net/netip"
	"os"
	"strings"
)

// hosts are the names under which this station is asked for. A page of elsewhere
// whose name an attacker's name server points at this computer (DNS rebinding) asks
// under a name that is none of them. The port may be another one: a tunnel or a
// container has its own, and a browser tells the truth about it anyway.
type hosts struct{ names map[string]bool }

func newHosts(named []string) hosts {
	h := hosts{names: map[string]bool{}}
	add := func(n string) {
		if n = hostName(n); n != "" {
			h.names[n] = true
		}
	}
	if own, err := os.Hostname(); err == nil {
		add(own)
		short, _, _ := strings.Cut(own, ".")
		add(short)
		add(short + ".local") // multicast DNS
	}
	for _, n := range named {
		add(n)
	}
	return h
}

// hostName is the name or address of a Host header, in one spelling.
func hostName(host string) string {
	name, _, err := net.SplitHostPort(host)
	if err != nil {
		name = host
	}
	name = strings.TrimSuffix(strings.ToLower(strings.TrimSuffix(strings.TrimPrefix(name, "["), "]")), ".")
	if ip, err := netip.ParseAddr(name); err == nil {
		return ip.Unmap().String()
	}
	return name
}

// own reports whether a request asks for this station under a name of its own: a
// name of loopback, the computer's, one that was given, or an address of this
// computer.
func (h hosts) own(r *http.Request) bool {
	name := hostName(r.Host)
	if name == "localhost" || strings.HasSuffix(name, ".localhost") || h.names[name] {
		return true
	}
	ip, err := netip.ParseAddr(name)
	if err != nil {
		return false
	}
	if ip.IsLoopback() {
		return true
	}
	ip = ip.WithZone("")
	// The address that the client reached, which is one of this computer's.
	if at, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr); ok {
		if a, err := netip.ParseAddrPort(at.String()); err == nil && a.Addr().Unmap().WithZone("") == ip {
			return true
		}
	}
	list, _ := net.InterfaceAddrs() // none: only what was reached
	for _, a := range list {
		if p, err := netip.ParsePrefix(a.String()); err == nil && p.Addr().Unmap().WithZone("") == ip {
			return true
		}
	}
	return false
}

// ownOrigin reports whether a request that only reads comes from a page of this
// station, from no page, or is a page being opened, a link followed from elsewhere.
// What changes something is looked at by [http.CrossOriginProtection].
func ownOrigin(r *http.Request) bool {
	if o := r.Header.Get("Origin"); o != "" {
		_, host, ok := strings.Cut(o, "://")
		if !ok || !strings.EqualFold(host, r.Host) {
			return false
		}
	}
	switch r.Header.Get("Sec-Fetch-Site") {
	case "", "same-origin", "none":
		return true
	}
	return r.Header.Get("Sec-Fetch-Mode") == "navigate" && r.Header.Get("Sec-Fetch-Dest") == "document"
}
