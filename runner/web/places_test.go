package web

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// However few files there may be, some are left for runs, and this computer has a
// part of its own.
func TestRooms(t *testing.T) {
	for _, files := range []int{0, 1, 64, 128, 256, 1024, 20_000, 1 << 30} {
		c, f := rooms(files)
		if files >= 128 {
			assert.GreaterOrEqual(t, files-c.places, 64, "%d files", files)
		}
		for _, r := range []room{c, f} {
			assert.True(t, r.places >= 2 && r.each >= 2 && r.near < r.places, "%d files: %+v", files, r)
		}
		assert.Less(t, f.places, c.places, "%d files: some connections answer what does not stay", files)
		assert.LessOrEqual(t, c.places, 1024)
	}
}

// taker takes places and notes who had to leave.
type taker struct {
	t    *testing.T
	p    *places
	left []string
}

func (k *taker) take(from string, yields int) string {
	k.t.Helper()
	name := fmt.Sprintf("%s/%d", from, yields)
	_, why := k.p.take(clientOf(from+":1"), func() int { return yields }, func() { k.left = append(k.left, name) })
	require.LessOrEqual(k.t, k.p.count(), k.p.places)
	return why
}

// Places go to whoever has few of them.
func TestPlacesAreShared(t *testing.T) {
	k := &taker{t: t, p: &places{room: room{places: 8, each: 5, near: 2}}}
	for range 5 {
		require.Empty(t, k.take("10.0.0.1", 1))
	}
	require.Empty(t, k.take("10.0.0.1", 1), "its own oldest leaves")
	require.Equal(t, []string{"10.0.0.1/1"}, k.left)
	require.Empty(t, k.take("10.0.0.2", 1))
	require.Empty(t, k.take("10.0.0.3", 1), "the one that has most gives way: two places are this computer's")
	require.Equal(t, []string{"10.0.0.1/1", "10.0.0.1/1"}, k.left)
	require.Empty(t, k.take("127.0.0.1", 0))
	require.Empty(t, k.take("127.0.0.1", 0))
	require.Equal(t, 8, k.p.count())
	require.Len(t, k.left, 2)
	require.Empty(t, k.take("127.0.0.1", 0), "this computer goes before others")
	require.Len(t, k.left, 3)

	busy := &taker{t: t, p: &places{room: room{places: 4, each: 2, near: 1}}}
	for i := range 3 {
		require.Empty(t, busy.take(fmt.Sprintf("10.0.0.%d", i), 0))
	}
	require.Equal(t, refusedFull, busy.take("10.0.0.9", 0), "nobody is thrown out of an answer")
	require.Empty(t, busy.take("127.0.0.1", 0))
	require.Equal(t, refusedFull, busy.take("127.0.0.1", 0))
	require.Empty(t, busy.left)

	own := &taker{t: t, p: &places{room: room{places: 8, each: 2}}}
	require.Empty(t, own.take("10.0.0.1", 0))
	require.Empty(t, own.take("10.0.0.1", 0))
	require.Equal(t, refusedAddress, own.take("10.0.0.1", 0))
	require.Empty(t, own.take("2001:db8::1", 0), "one network of IPv6 is one client")
	require.Equal(t, clientOf("[2001:db8::1]:1"), clientOf("[2001:db8::2]:9"))
	require.Equal(t, clientOf("[::ffff:10.0.0.1]:1"), clientOf("10.0.0.1:2"))
	require.False(t, clientOf("nonsense").near)
}

// serving serves the rig on a port of loopback, all addresses of it, and returns
// the port.
func serving(g *rig) (port string) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(g.t, err)
	done := make(chan error, 1)
	go func() { done <- g.server.Serve(g.t.Context(), l) }()
	g.t.Cleanup(func() { require.NoError(g.t, <-done) })
	_, port, _ = net.SplitHostPort(l.Addr().String())
	return port
}

// lockedBuffer may be written to by several.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.String()
}

// Connections that do nothing, ask for nothing or never end their asking take no
// place from who asks; that is told once, and counted.
func TestFloodOfConnections(t *testing.T) {
	var said lockedBuffer
	var mu sync.Mutex
	counted := map[string]int{}
	g := newRig(t, func(c *Config) {
		c.Files = 128
		c.Log = slog.New(slog.NewTextHandler(&said, nil))
		c.Refused = func(why string) { mu.Lock(); defer mu.Unlock(); counted[why]++ }
	})
	port := serving(g)
	most := g.server.connections.places
	dial := func(from, send string) net.Conn {
		d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}}
		c, err := d.Dial("tcp", "127.0.0.1:"+port)
		if err != nil && strings.Contains(err.Error(), "assign requested address") {
			t.Skip("this system has no loopback beside 127.0.0.1")
		}
		require.NoError(t, err)
		t.Cleanup(func() { c.Close() })
		_, _ = io.WriteString(c, send)
		return c
	}
	follow := "GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n"
	for i := range 3 * most {
		dial(fmt.Sprintf("127.0.0.%d", 2+i%9), []string{"", "GET / HTTP/1.1\r\nX-Slow: ", follow}[i%3])
	}
	// A page for a new operator, and what it follows.
	page := dial("127.0.0.1", "GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
	resp, err := http.ReadResponse(bufio.NewReader(page), nil)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, resp.StatusCode)
	events := bufio.NewReader(dial("127.0.0.1", follow))
	resp, err = http.ReadResponse(events, nil)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, resp.StatusCode)
	b := make([]byte, 6)
	_, err = io.ReadFull(resp.Body, b)
	require.NoError(t, err)
	require.Equal(t, "retry:", string(b))
	require.LessOrEqual(t, g.server.connections.count(), most)
	require.LessOrEqual(t, g.server.followers.count(), g.server.followers.places)

	// A giant header, and one answer after the other over one connection.
	for _, send := range []string{"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + strings.Repeat("x", 1<<20) + "\r\n\r\n",
		"POST /api/scan HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 99999999\r\n\r\n" +
			strings.Repeat("x", 64<<10)} {
		c := dial("127.0.0.1", send)
		resp, err := http.ReadResponse(bufio.NewReader(c), nil)
		if err == nil { // else it was hung up on while it still spoke
			require.GreaterOrEqual(t, resp.StatusCode, 400)
		}
	}
	requestsIn := strings.Repeat("GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n", 500)
	pipelined := dial("127.0.0.1", "")
	go io.WriteString(pipelined, requestsIn)
	answers := bufio.NewReader(pipelined)
	for range 500 {
		resp, err := http.ReadResponse(answers, nil)
		require.NoError(t, err)
		_, err = io.Copy(io.Discard, resp.Body)
		require.NoError(t, err)
	}

	// Whoever asks under another name is told so once, and counted each time.
	for range 20 {
		c := dial("127.0.0.1", "GET / HTTP/1.1\r\nHost: evil.example\r\n\r\n")
		resp, err := http.ReadResponse(bufio.NewReader(c), nil)
		require.NoError(t, err)
		require.Equal(t, http.StatusMisdirectedRequest, resp.StatusCode)
		c.Close()
	}
	mu.Lock()
	require.Equal(t, 20, counted[refusedHost])
	mu.Unlock()
	require.Equal(t, 1, strings.Count(said.String(), "why=host"), said.String())
	// And the station works.
	require.True(t, g.scanInto(serialOf(1), "A").OK)
	g.server.runs.Wait()
}
