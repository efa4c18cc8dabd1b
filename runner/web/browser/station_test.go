package browser

import (
	"bufio"
	"bytes"
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
)

// patience is how long a condition may take to come about. It is there to end
// a test that fails, not to time one that does not.
const patience = 20 * time.Second

// station is the program, serving a simulated station.
type station struct {
	name string
	args []string
	data string
	url  string // "http://127.0.0.1:PORT", the same after a restart
	cmd  *exec.Cmd
	gone chan struct{} // closed when the process has ended
	log  lockedBuffer
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// newStation starts a station with its own records; it is ended with the test.
func newStation(t *testing.T, args ...string) *station {
	t.Helper()
	s := &station{name: t.Name(), data: t.TempDir(), args: args}
	s.start(t)
	t.Cleanup(func() {
		s.kill()
		if t.Failed() {
			t.Logf("the station's log:\n%s", tail(s.log.String(), 4000))
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
func (s *station) start(t testing.TB) {
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
	s.gone = make(chan struct{})
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
	case <-time.After(patience):
		s.kill()
		t.Fatalf("the station does not say where its pages are:\n%s", s.log.String())
	}
}

// kill ends the process as a power cut does.
func (s *station) kill() {
	s.cmd.Process.Kill()
	<-s.gone
}

// stop ends the process as Ctrl-C does and returns its exit code.
func (s *station) stop(t *testing.T) int {
	t.Helper()
	s.cmd.Process.Signal(os.Interrupt)
	select {
	case <-s.gone:
	case <-time.After(patience):
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

// give lets a unit have a defect; "" makes it a sound one.
func (s *station) give(t *testing.T, serial, defect string) {
	t.Helper()
	s.fixture(t, "give", "", "serial", serial, "defect", defect)
}

// sealed are the reports on the disk of a unit, in their order.
func (s *station) sealed(t *testing.T, serial string) []reports.Report {
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
		r, err := reports.Load(name)
		if err != nil {
			t.Fatal(err)
		}
		if r.Report.Unit.SerialNumber == serial {
			list = append(list, r.Report)
		}
	}
	return list
}

// unit is the serial number of unit n of the lot 24A.
func unit(n int) string {
	serial, err := reports.AppendMod3736(fmt.Sprintf("K824A%05d", n))
	if err != nil {
		panic(err)
	}
	return serial
}

// history waits until the simulated station has made its past.
func (s *station) history(t *testing.T) {
	t.Helper()
	for end := time.Now().Add(4 * patience); !strings.Contains(s.log.String(), "history made"); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("no history was made")
		}
	}
}
