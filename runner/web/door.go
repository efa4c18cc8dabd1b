package web

import (
	"net"
	"net/http"
	"sync/atomic"
	"time"
)

// door is a listener that lets in as many as there are places for, whatever comes:
// the files that runs need stay free.
type door struct {
	net.Listener
	places  *places
	refused func(why, from string)
}

// visit is a connection that was let in.
type visit struct {
	net.Conn
	place *place
	state atomic.Int32 // an [http.ConnState]
	stays atomic.Bool  // it follows the stream of events
}

const turnedAway = "HTTP/1.1 503 Service Unavailable\r\nContent-Type: text/plain; charset=utf-8\r\n" +
	"Retry-After: 5\r\nConnection: close\r\nContent-Length: 56\r\n\r\n" +
	"this station has no room for another connection for now\n"

// Accept returns the next connection that there is a place for. Others are told so
// and closed.
func (d *door) Accept() (net.Conn, error) {
	for {
		c, err := d.Listener.Accept()
		if err != nil {
			return nil, err
		}
		from := c.RemoteAddr().String()
		v := &visit{Conn: c}
		place, why := d.places.take(clientOf(from), v.yields, func() { c.Close() })
		if place == nil {
			// A new connection has room for so few bytes: this does not wait.
			c.SetWriteDeadline(time.Now().Add(time.Second))
			c.Write([]byte(turnedAway))
			c.Close()
			d.refused(why, from)
			continue
		}
		v.place = place
		return v, nil
	}
}

// yields says how readily a connection gives way: those between two requests, or
// whose request has not come, rather than one that follows; one that is being
// answered not at all, its time is bounded.
func (v *visit) yields() int {
	switch {
	case v.stays.Load():
		return 1
	case http.ConnState(v.state.Load()) == http.StateActive:
		return 0
	}
	return idle
}

// Close gives the place back.
func (v *visit) Close() error {
	v.place.free()
	return v.Conn.Close()
}

// changed is [http.Server.ConnState].
func changed(c net.Conn, s http.ConnState) {
	if v, ok := c.(*visit); ok {
		v.state.Store(int32(s))
		if s != http.StateActive {
			v.stays.Store(false)
		}
	}
}
