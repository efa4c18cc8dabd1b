// Package browser tests the station's pages as people use them: the real
// program is started as a process, and Debian's Chromium opens its pages, gets
// keys as a scanner and a keyboard send them, and says what is on the screen.
//
// No wait has a time of its own: what is waited for comes, or the time that
// go test -timeout gives runs out (see within).
//
// FULLTHROW_SHOTS=DIR writes a picture of each page and state into DIR.
// FULLTHROW_PROGRAM names a program that is built already; FULLTHROW_AXE the
// accessibility engine (axe.min.js of the npm package axe-core).
package browser

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// shared is what all tests of this binary use.
var shared struct {
	dir     string // temporary, removed at the end
	browser func() (context.Context, error)
	program func() (string, error)
	end     []func()
}

func TestMain(m *testing.M) {
	flag.Parse()
	if flag.Lookup("test.parallel").Value.String() == strconv.Itoa(runtime.GOMAXPROCS(0)) { // nobody chose
		load, _ := os.ReadFile("/proc/loadavg")
		flag.Set("test.parallel", strconv.Itoa(atOnce(runtime.NumCPU(), string(load))))
	}
	os.Exit(run(m))
}

func run(m *testing.M) int {
	dir, err := os.MkdirTemp("", "fullthrow-browser-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	shared.dir = dir
	shared.program = sync.OnceValues(build)
	shared.browser = sync.OnceValues(startBrowser)
	defer os.RemoveAll(dir)
	defer func() {
		for _, end := range shared.end {
			end()
		}
	}()
	return m.Run()
}

// build makes the program, once for all tests.
func build() (string, error) {
	if path := os.Getenv("FULLTHROW_PROGRAM"); path != "" {
		return path, nil
	}
	path := filepath.Join(shared.dir, "fullthrow")
	cmd := exec.Command("go", "build", "-o", path, "fullthrow/runner")
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Run(); err != nil {
		return "", fmt.Errorf("the program cannot be built: %w\n%s", err, out.String())
	}
	return path, nil
}

// findBrowser is the path of Chromium, "" if there is none.
func findBrowser() string {
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	return ""
}

// startBrowser starts Chromium without a window, once for all tests.
func startBrowser() (context.Context, error) {
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(findBrowser()), chromedp.NoSandbox,
		chromedp.DisableGPU, chromedp.UserDataDir(filepath.Join(shared.dir, "browser")))
	for _, name := range []string{"disable-quic", "disable-component-update", "hide-scrollbars", "mute-audio", "no-pings"} {
		opts = append(opts, chromedp.Flag(name, true))
	}
	opts = append(opts, chromedp.Flag("lang", "en-GB"), chromedp.Flag("autoplay-policy", "no-user-gesture-required"))
	alloc, stopAlloc := chromedp.NewExecAllocator(context.Background(), opts...)
	ctx, stop := chromedp.NewContext(alloc)
	shared.end = append(shared.end, func() { stop(); stopAlloc() })
	if err := chromedp.Do(ctx); err != nil {
		return nil, fmt.Errorf("Chromium does not start: %w", err)
	}
	return ctx, nil
}

// need says what the tests need: without a browser they are skipped, except
// where everything is to be tested.
func need(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("short: no browser is started")
	}
	if os.Getenv("FULLTHROW_PROGRAM") == "" && os.Getenv("CI") == "" && !named() {
		t.Skip("some two minutes by itself: .ci/test runs it, and go test -v ./runner/web/browser")
	}
	if findBrowser() != "" {
		return
	}
	const why = "no Chromium here (Debian package chromium): the pages are not tested in a browser"
	if os.Getenv("CI") != "" {
		t.Fatal(why)
	}
	t.Skip(why)
}

// named tells whether these tests were asked for, by -v or -run: go test ./...
// alone is for what is quick.
func named() bool { return testing.Verbose() || flag.Lookup("test.run").Value.String() != "" }

// atOnce is how many tests run side by side: one for each core that is idle, but
// for one, which the browser needs. load is what /proc/loadavg says, "" where
// there is none.
func atOnce(cores int, load string) int {
	busy := 0.0
	if fields := strings.Fields(load); len(fields) > 0 {
		busy, _ = strconv.ParseFloat(fields[0], 64)
	}
	return max(1, cores-1-int(math.Ceil(busy)))
}

// reserve is what is kept of the time that go test -timeout gives, to show what
// a failure looked like and to end the stations.
const reserve = 15 * time.Second

// within is how long the test may wait for one thing: half of the time that is
// left to all tests, so that one that fails leaves time for the others, but no
// less than a minute while there is one. Without -timeout it may wait for ever.
func within(ctx context.Context, t *testing.T) (context.Context, context.CancelFunc) {
	end, ok := t.Deadline()
	if !ok {
		return context.WithCancel(ctx)
	}
	left := time.Until(end) - reserve
	return context.WithTimeout(ctx, max(left/2, min(left, time.Minute)))
}

// shots is the folder for pictures, "" none are wanted.
func shots() string { return os.Getenv("FULLTHROW_SHOTS") }

// failures is the folder for pictures of what failed. It is kept.
var failures = sync.OnceValues(func() (string, error) {
	if dir := shots(); dir != "" {
		return dir, os.MkdirAll(dir, 0o755)
	}
	return os.MkdirTemp("", "fullthrow-failed-")
})

// plain makes a file name of a text.
func plain(text string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '.' {
			return r
		}
		return '-'
	}, text)
}

func TestAtOnce(t *testing.T) {
	for _, c := range []struct {
		cores int
		load  string
		want  int
	}{
		{2, "", 1},
		{2, "0.00 0.05 0.10 1/100 7", 1},
		{2, "9.50 4.00 2.00 3/100 7", 1},
		{8, "0.00 1.00 1.00 1/100 7", 7},
		{8, "2.10 1.00 1.00 1/100 7", 4},
		{8, "12.00 9.00 2.00 1/100 7", 1},
	} {
		if got := atOnce(c.cores, c.load); got != c.want {
			t.Errorf("%d cores, load %q: %d at once, want %d", c.cores, c.load, got, c.want)
		}
	}
}
