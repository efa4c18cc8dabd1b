// Package browser tests the station's pages as people use them: the real
// program is started as a process, and Debian's Chromium opens its pages, gets
// keys as a scanner and a keyboard send them, and says what is on the screen.
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
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"

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
	// Most of the time a test waits, for a page or for a person's half second.
	if flag.Lookup("test.parallel").Value.String() == strconv.Itoa(runtime.GOMAXPROCS(0)) {
		flag.Set("test.parallel", "4")
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
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(findBrowser()), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.UserDataDir(filepath.Join(shared.dir, "browser")))
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
	if findBrowser() != "" {
		return
	}
	const why = "no Chromium here (Debian package chromium): the pages are not tested in a browser"
	if os.Getenv("CI") != "" {
		t.Fatal(why)
	}
	t.Skip(why)
}

// shots is the folder for pictures, "" none are wanted.
func shots() string { return os.Getenv("FULLTHROW_SHOTS") }

// plain makes a file name of a text.
func plain(text string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '.' {
			return r
		}
		return '-'
	}, text)
}
