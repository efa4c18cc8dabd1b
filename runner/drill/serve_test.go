//go:build drill

package drill

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"fullthrow/reports/serial"
)

const (
	floodFor    = 5 * time.Second // how long each flood goes on; it stops by itself
	floodConns  = 500             // connections that are opened and kept, in all
	filesOfUser = 128             // ulimit -n of the station
)

// TestDrillServe floods a station that may open few files, on loopback only, while
// it tests units: each run is sealed, and page and health answer.
func TestDrillServe(t *testing.T) {
	p, err := program()
	if err != nil {
		t.Fatal(err)
	}
	campaign(t, "floods, slow clients, hostile hosts and bodies against a station of 128 files", func(c *trial) {
		oneFlood(c, p)
	})
}

// station is a served demo.
type servedStation struct {
	cmd  *exec.Cmd
	url  string
	addr string
	out  *lockedText
}

// lockedText may be written to and read at once.
type lockedText struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedText) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}
func (l *lockedText) String() string { l.mu.Lock(); defer l.mu.Unlock(); return l.b.String() }

func serveStation(c *trial, program string) *servedStation {
	s := &servedStation{out: &lockedText{}}
	s.cmd = exec.Command("sh", "-c", fmt.Sprintf(`ulimit -n %d; exec "$0" "$@"`, filesOfUser), program, "serve",
		"--bench", "demo", "--history=false", "--pace", "200", "--listen", "127.0.0.1:0", "--log", "text", "--data", c.Dir)
	s.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	s.cmd.Stdout, s.cmd.Stderr = s.out, s.out
	if err := s.cmd.Start(); err != nil {
		c.Fatal(err)
	}
	address := regexp.MustCompile(`http://(127\.0\.0\.1:[0-9]+)/`)
	for !strings.Contains(s.out.String(), "It runs until it is stopped") {
		if s.cmd.ProcessState != nil || syscall.Kill(s.cmd.Process.Pid, 0) != nil {
			c.Fatalf("the station ended at once: %s", s.out)
		}
		time.Sleep(20 * time.Millisecond)
	}
	s.addr = address.FindStringSubmatch(s.out.String())[1]
	s.url = "http://" + s.addr
	return s
}

// flood is one way to be a burden; it ends with ctx.
type flood struct {
	name string
	send func(ctx context.Context, r *rand.Rand, conn net.Conn)
}

// hold keeps a connection open and reads nothing.
func hold(text string) func(context.Context, *rand.Rand, net.Conn) {
	return func(ctx context.Context, _ *rand.Rand, conn net.Conn) {
		_, _ = io.WriteString(conn, text)
		<-ctx.Done()
	}
}

// drip sends the text a few bytes at a time.
func drip(text string) func(context.Context, *rand.Rand, net.Conn) {
	return func(ctx context.Context, _ *rand.Rand, conn net.Conn) {
		for i := 0; i < len(text) && ctx.Err() == nil; i++ {
			if _, err := conn.Write([]byte{text[i]}); err != nil {
				return
			}
			select {
			case <-ctx.Done():
			case <-time.After(100 * time.Millisecond):
			}
		}
	}
}

// repeat sends the text again and again, at most so many times.
func repeat(text string, most int) func(context.Context, *rand.Rand, net.Conn) {
	return func(ctx context.Context, _ *rand.Rand, conn net.Conn) {
		go io.Copy(io.Discard, conn)
		for i := 0; i < most && ctx.Err() == nil; i++ {
			if _, err := io.WriteString(conn, text); err != nil {
				return
			}
		}
	}
}

const post = "POST /api/scan HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"

var floods = []flood{
	{"idle", hold("")},
	{"idle followers", hold("GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")},
	{"slow headers", drip("GET / HTTP/1.1\r\nHost: localhost\r\nX: " + strings.Repeat("x", 1000))},
	{"slow bodies", drip(post + "Content-Length: 1000\r\n\r\n" + strings.Repeat(" ", 1000))},
	{"large answers not read", hold(strings.Repeat("GET / HTTP/1.1\r\nHost: localhost\r\n\r\n", 50))},
	{"giant headers", repeat("GET / HTTP/1.1\r\nHost: localhost\r\nX: "+strings.Repeat("x", 1<<20), 2)},
	{"huge bodies", repeat(post+"Content-Length: 999999999\r\n\r\n"+strings.Repeat("{", 1<<20), 3)},
	{"bodies in endless chunks", repeat(post+"Transfer-Encoding: chunked\r\n\r\n"+strings.Repeat("5\r\n     \r\n", 1000), 1)},
	{"pipelined", repeat("GET /api/state HTTP/1.1\r\nHost: localhost\r\n\r\n", 200)},
	{"hostile hosts", repeat("GET /api/state HTTP/1.1\r\nHost: evil.example\r\n\r\n", 100)},
	{"foreign pages", repeat(post+"Origin: http://evil.example\r\nContent-Length: 2\r\n\r\n{}", 100)},
	{"nonsense", repeat("\x16\x03\x01\x00\xff\x00\r\n\r\n", 1)},
	{"hostile scans", repeat(post+"Content-Length: 47\r\n\r\n"+`{"text": "\u001b[2J\u202e<script>", "nest": ""}`, 50)},
	{"metrics", repeat("GET /metrics HTTP/1.1\r\nHost: localhost\r\n\r\n", 50)},
	{"questions", repeat("GET /today?period=all HTTP/1.1\r\nHost: localhost\r\n\r\n", 10)},
}

func oneFlood(c *trial, program string) {
	s := serveStation(c, program)
	defer func() { _ = s.cmd.Process.Kill() }()
	ctx, cancel := context.WithTimeout(c.Context(), floodFor)
	defer cancel()
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	// Three kinds of flood at once, from other addresses of loopback than the operator's.
	for k := range 3 {
		f := floods[c.Rand.IntN(len(floods))]
		c.Count("floods of connections: " + f.name)
		for i := range floodConns / 3 {
			seed := c.Rand.Uint64()
			from := net.IPv4(127, 0, byte(1+k), byte(2+i%12))
			wg.Go(func() {
				d := net.Dialer{LocalAddr: &net.TCPAddr{IP: from}, Timeout: floodFor}
				conn, err := d.DialContext(ctx, "tcp", s.addr)
				if err != nil {
					return
				}
				defer conn.Close()
				defer context.AfterFunc(ctx, func() { conn.Close() })()
				f.send(ctx, rand.New(rand.NewPCG(seed, 0)), conn)
			})
		}
	}
	// The operator: a new page for every unit, which must answer in spite of it.
	began := map[string]bool{}
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 30 * time.Second}
	ask := func(method, path, body string) (int, string) {
		req, err := http.NewRequest(method, s.url+path, strings.NewReader(body))
		if err != nil {
			c.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/json")
		resp, err := client.Do(req)
		if err != nil {
			c.Wrong("%s %s: %v", method, path, err)
			return 0, ""
		}
		defer resp.Body.Close()
		text, err := io.ReadAll(resp.Body)
		if err != nil {
			c.Wrong("%s %s: %v", method, path, err)
		}
		return resp.StatusCode, string(text)
	}
	for n := 0; ctx.Err() == nil && n < 40; n++ {
		if code, text := ask("GET", "/", ""); code != http.StatusOK || !strings.Contains(text, "</html>") {
			c.Wrong("the page: %d, %d bytes", code, len(text))
		} else {
			c.Count("pages opened meanwhile")
		}
		number, err := serial.AppendMod3736(fmt.Sprintf("K824A%05d", 100+n))
		if err != nil {
			c.Fatal(err)
		}
		for range 50 {
			if _, text := ask("GET", "/healthz", ""); strings.Contains(text, `"running":true`) {
				time.Sleep(50 * time.Millisecond)
				continue
			}
			code, text := ask("POST", "/api/scan", fmt.Sprintf(`{"id":"s%d","text":%q,"nest":"A"}`, n, number))
			var a struct {
				OK   bool   `json:"ok"`
				Code string `json:"code"`
			}
			_ = json.Unmarshal([]byte(text), &a)
			if code == http.StatusOK && a.Code == "started" {
				began[number] = true
				break
			}
			if code != http.StatusOK {
				c.Wrong("a scan: %d %.200s", code, text)
				break
			}
			time.Sleep(100 * time.Millisecond)
		}
		if code, _ := ask("GET", "/healthz", ""); code == http.StatusOK {
			c.Count("health answered meanwhile")
		} else {
			c.Wrong("health: %d", code)
		}
		time.Sleep(time.Duration(c.Rand.IntN(300)) * time.Millisecond)
	}
	// It follows what happens, too.
	follower, err := net.Dial("tcp", s.addr)
	if err != nil {
		c.Wrong("a follower: %v", err)
	} else {
		_, _ = io.WriteString(follower, "GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
		_ = follower.SetReadDeadline(time.Now().Add(30 * time.Second))
		line, err := bufio.NewReader(follower).ReadString('\n')
		if err != nil || !strings.Contains(line, "200") {
			c.Wrong("a follower: %q %v", line, err)
		}
		follower.Close()
	}
	_, figures := ask("GET", "/metrics", "")
	if strings.Contains(figures, "fullthrow_requests_refused_total") {
		c.Count("stations that refused some")
	}
	cancel()
	wg.Wait()
	// What was begun ends by itself; then it is stopped in order.
	for range 300 {
		_, text := ask("GET", "/healthz", "")
		if !strings.Contains(text, `"running":true`) && strings.Contains(text, `"waiting_units":0`) {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	_ = s.cmd.Process.Signal(syscall.SIGTERM)
	_ = s.cmd.Wait()
	said := s.out.String()
	for _, word := range []string{"panic", "internal error", "too many open files", "NOT SAFE", "goroutine "} {
		if strings.Contains(said, word) {
			c.Wrong("says %q: %.3000s", word, said)
		}
	}
	for _, r := range sealedIn(c, filepath.Join(c.Dir)) {
		if len(r.Unsafe) > 0 || r.Outcome != "passed" && r.Outcome != "failed" {
			c.Wrong("run %s of %s: %s %+v", r.Run, r.Unit.SerialNumber, r.Outcome, r.Reason)
		}
		c.Count("runs sealed")
		delete(began, r.Unit.SerialNumber)
	}
	if len(began) > 0 {
		c.Wrong("not sealed: %v\n%.2000s", began, said)
	}
	if left, _ := filepath.Glob(filepath.Join(c.Dir, "records", "journal", "*")); len(left) > 0 {
		c.Wrong("journals left: %v", left)
	}
}
