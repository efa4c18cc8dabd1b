package browser

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/serial"
)

// station is the program, serving a simulated station.
type station struct {
	name string
	args []string
	data string
	url  string // "http://127.0.0.1:PORT", the same after a restart
	cmd  *exec.Cmd
	gone chan struct{} // closed when the process has ended
	down bool          // the test has ended it
	log  logBuffer
}

// logBuffer is what a station has logged.
type logBuffer struct {
	mu      sync.Mutex
	b       bytes.Buffer
	changed chan struct{} // closed at the next line; nil while nobody waits
}

func (l *logBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.changed != nil {
		close(l.changed)
		l.changed = nil
	}
	return l.b.Write(p)
}

func (l *logBuffer) String() string {
	text, _ := l.read()
	return text
}

// read returns what was logged, and a channel that is closed when there is more.
func (l *logBuffer) read() (string, <-chan struct{}) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.changed == nil {
		l.changed = make(chan struct{})
	}
	return l.b.String(), l.changed
}

// newStation starts a station with its own records; it is ended with the test.
func newStation(t *testing.T, args ...string) *station {
	t.Helper()
	s := &station{name: t.Name(), data: t.TempDir(), args: args}
	s.start(t)
	t.Cleanup(func() {
		s.kill()
		if t.Failed() {
			t.Logf("the station's log:\n%s", tail(s.log.String(), 8000))
		}
	})
	return s
}

func tail(text string, n int) string {
	if len(text) > n {
		return "..." + text[len(text)-n:]
	}
	return text
}

// start begins the process and waits until it says where its pages are.
func (s *station) start(t *testing.T) {
	t.Helper()
	program, err := shared.program()
	if err != nil {
		t.Fatal(err)
	}
	listen := "127.0.0.1:0"
	if s.url != "" {
		listen = strings.TrimPrefix(s.url, "http://")
	}
	s.cmd = exec.Command(program, append([]string{"serve", "--bench", "demo", "--listen", listen, "--data", s.data}, s.args...)...)
	s.cmd.Env = append(os.Environ(), "TZ=UTC", "HOME="+s.data, "XDG_STATE_HOME="+s.data)
	s.cmd.Stderr = &s.log
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	where := make(chan string, 1)
	s.gone, s.down = make(chan struct{}), false
	ctx, stop := within(context.Background(), t)
	defer stop()
	go func() {
		defer close(s.gone)
		lines := bufio.NewScanner(out)
		address := regexp.MustCompile(`http://127\.0\.0\.1:[0-9]+`)
		for lines.Scan() {
			if found := address.FindString(lines.Text()); found != "" {
				select {
				case where <- found:
				default:
				}
			}
		}
		s.cmd.Wait()
	}()
	select {
	case s.url = <-where:
	case <-s.gone:
		t.Fatalf("the station ended at once:\n%s", s.log.String())
	case <-ctx.Done():
		s.kill()
		t.Fatalf("the station does not say where its pages are: %v\n%s", ctx.Err(), s.log.String())
	}
}

// kill ends the process as a power cut does.
func (s *station) kill() {
	s.down = true
	s.cmd.Process.Kill()
	<-s.gone
}

// stop ends the process as Ctrl-C does and returns its exit code.
func (s *station) stop(t *testing.T) int {
	t.Helper()
	ctx, stop := within(context.Background(), t)
	defer stop()
	s.down = true
	s.cmd.Process.Signal(os.Interrupt)
	select {
	case <-s.gone:
	case <-ctx.Done():
		s.kill()
		t.Fatal("the station does not end when it is asked to")
	}
	return s.cmd.ProcessState.ExitCode()
}

// post sends a command as a page does.
func (s *station) post(t *testing.T, path string, body any) map[string]any {
	t.Helper()
	data, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	r, err := http.Post(s.url+path, "application/json", bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	answer, _ := io.ReadAll(r.Body)
	if r.StatusCode != 200 {
		t.Fatalf("%s %s: %s %s", path, data, r.Status, answer)
	}
	out := map[string]any{}
	if err := json.Unmarshal(answer, &out); err != nil {
		t.Fatalf("%s: %v: %s", path, err, answer)
	}
	return out
}

// fixture works the simulated fixture.
func (s *station) fixture(t *testing.T, do, nest string, more ...string) {
	t.Helper()
	body := map[string]string{"do": do, "nest": nest}
	for i := 0; i+1 < len(more); i += 2 {
		body[more[i]] = more[i+1]
	}
	if reply := s.post(t, "/api/fixture", body); reply["ok"] != true {
		t.Fatalf("fixture %v: %v", body, reply)
	}
}

// give lets a unit have a defect; "" makes it a good one.
func (s *station) give(t *testing.T, number, defect string) {
	t.Helper()
	s.fixture(t, "give", "", "serial", number, "defect", defect)
}

// sealed are the reports on the disk of a unit, in their order.
func (s *station) sealed(t *testing.T, number string) []reports.Report {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(s.data, "records", "*", "*", "*", "*"+"*.json"))
	if err != nil {
		t.Fatal(err)
	}
	if len(names) == 0 {
		filepath.WalkDir(filepath.Join(s.data, "records"), func(path string, d os.DirEntry, err error) error {
			if err == nil && strings.HasSuffix(path, ".json") {
				names = append(names, path)
			}
			return nil
		})
	}
	var list []reports.Report
	for _, name := range names {
		r, err := archive.Load(name)
		if err != nil {
			t.Fatal(err)
		}
		if r.Report.Unit.SerialNumber == number {
			list = append(list, r.Report)
		}
	}
	return list
}

// unit is the serial number of unit n of the lot 24A.
func unit(n int) string {
	number, err := serial.AppendMod3736(fmt.Sprintf("K824A%05d", n))
	if err != nil {
		panic(err)
	}
	return number
}

// made finds in the log how many runs the past has.
var made = regexp.MustCompile(`history made" runs=([0-9]+)`)

// history waits until the simulated station has made its past, and its index
// has all of it.
func (s *station) history(t *testing.T) {
	t.Helper()
	ctx, stop := within(context.Background(), t)
	defer stop()
	var runs string
	for runs == "" {
		text, more := s.log.read()
		if found := made.FindStringSubmatch(text); found != nil {
			runs = found[1]
			break
		}
		if strings.Contains(text, "the history is not complete") {
			t.Fatal("the history is not complete")
		}
		select {
		case <-more:
		case <-s.gone:
			t.Fatal("the station ended before it had a history")
		case <-ctx.Done():
			t.Fatal("no history was made: ", ctx.Err())
		}
	}
	for {
		var health struct {
			Index struct {
				Stations []struct{ Reports json.Number }
			}
		}
		s.get(t, "/healthz", &health)
		if list := health.Index.Stations; len(list) == 1 && list[0].Reports.String() == runs {
			return
		}
		select {
		case <-time.After(50 * time.Millisecond): // between two questions
		case <-ctx.Done():
			t.Fatalf("the index has not the %s runs of the history: %+v", runs, health)
		}
	}
}

// get asks for JSON.
func (s *station) get(t *testing.T, path string, into any) {
	t.Helper()
	r, err := http.Get(s.url + path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	if err := json.NewDecoder(r.Body).Decode(into); err != nil {
		t.Fatalf("%s: %s: %v", path, r.Status, err)
	}
}
