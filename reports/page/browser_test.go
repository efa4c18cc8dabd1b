package page

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fullthrow/reports/recordtest"
	"fullthrow/reports/serial"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// browse starts a browser without a window; the test is skipped where there is
// none.
func browse(t *testing.T) context.Context {
	t.Helper()
	found := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			found = path
			break
		}
	}
	if found == "" {
		t.Skip("no Chromium here (Debian package chromium): pages are not looked at in a browser")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(found), chromedp.NoSandbox,
		chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()))
	for _, flag := range []string{"disable-quic", "disable-background-networking", "disable-component-update", "disable-sync", "hide-scrollbars"} {
		opts = append(opts, chromedp.Flag(flag, true))
	}
	ctx, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(stop)
	tab, stop := chromedp.NewContext(ctx)
	t.Cleanup(stop)
	if err := chromedp.Do(tab); err != nil {
		t.Fatal("Chromium does not start: ", err)
	}
	// No time of its own: a busy machine prints late. The time of go test
	// -timeout ends it, less what it takes to show the page.
	ctx, stop = context.WithCancel(tab)
	t.Cleanup(stop)
	if end, ok := t.Deadline(); ok {
		ctx, stop = context.WithDeadline(ctx, end.Add(-15*time.Second))
		t.Cleanup(stop)
	}
	t.Cleanup(func() {
		if t.Failed() {
			showPage(t, tab)
		}
	})
	return ctx
}

// showPage says what is on the page of a test that failed, and keeps a picture.
func showPage(t *testing.T, tab context.Context) {
	t.Helper()
	text, err := chromedp.Run(tab, chromedp.Evaluate[string](`location.href + "\n" + document.body.innerText`))
	if err != nil {
		t.Log("no page: ", err)
		return
	}
	t.Logf("the page says:\n%.3000s", text)
	dir := os.Getenv("FULLTHROW_SHOTS")
	if dir == "" {
		dir, err = os.MkdirTemp("", "fullthrow-failed-")
	} else {
		err = os.MkdirAll(dir, 0o755)
	}
	var picture []byte
	if err == nil {
		picture, err = chromedp.Run(tab, chromedp.FullScreenshot(100))
	}
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, "failed-"+t.Name()+".png"), picture, 0o644)
	}
	if err != nil {
		t.Log("no picture: ", err)
		return
	}
	t.Logf("a picture of the page is in %s", dir)
}

// inScheme shows pages as to a reader who wants them light or dark.
func inScheme(scheme string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
		return err
	})
}

// tool names a program of a Debian package; the test is skipped without it.
func tool(t *testing.T, name, pkg string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		t.Skipf("no %s here (Debian package %s)", name, pkg)
	}
	return path
}

// scan reads the codes in a picture as a scanner would.
func scan(t *testing.T, picture string) string {
	t.Helper()
	out, err := exec.Command(tool(t, "zbarimg", "zbar-tools"), "-q", "--raw", picture).Output()
	if err != nil {
		t.Errorf("%s: no code was read: %v", filepath.Base(picture), err)
	}
	return strings.TrimSpace(string(out))
}

// What is shown and printed scans, and a certificate takes one page of either
// paper, whatever its texts.
func TestInBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("short: pages are not looked at in a browser")
	}
	t.Parallel()
	pdftotext, pdftoppm := tool(t, "pdftotext", "poppler-utils"), tool(t, "pdftoppm", "poppler-utils")
	ctx := browse(t)
	dir := t.TempDir()
	all := unitHistory(t, filepath.Join(dir, "records"))
	failed, passed := all["run-2"], all["run-3"]
	hostile := hostileCertified(t)
	write := func(name string, render func(b *bytes.Buffer) error) string {
		var b bytes.Buffer
		if err := render(&b); err != nil {
			t.Fatal(err)
		}
		name = filepath.Join(dir, name)
		if err := os.WriteFile(name, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		return "file://" + filepath.ToSlash(name)
	}
	o := optionsAround(t, filepath.Join(dir, "records"), failed)

	// The unit's page on a screen, light and dark.
	unit := write("unit.html", func(b *bytes.Buffer) error { return WriteHTML(b, failed, o) })
	want := serial.CodeText(recordtest.Sample, failed.Seal.SHA256)
	for _, scheme := range []string{"light", "dark"} {
		err := chromedp.Do(ctx, chromedp.EmulateViewport(860, 900), inScheme(scheme), chromedp.Navigate(unit))
		if err != nil {
			t.Fatal(err)
		}
		shot, err := chromedp.Run(ctx, chromedp.Screenshot(chromedp.CSS(".u-seal")))
		if err != nil {
			t.Fatal(err)
		}
		picture := filepath.Join(dir, scheme+".png")
		os.WriteFile(picture, shot, 0o644)
		if got := scan(t, picture); got != want {
			t.Errorf("%s: the code reads %q, want %q", scheme, got, want)
		}
	}

	// Certificates on paper.
	good := write("certificate.html", func(b *bytes.Buffer) error { return WriteCertificate(b, passed, o) })
	wild := write("hostile.html", func(b *bytes.Buffer) error { return WriteCertificate(b, hostile, Options{}) })
	for _, paper := range []struct {
		name string
		size chromedp.PaperSize
	}{{"A4", chromedp.PaperA4}, {"Letter", chromedp.PaperLetter}} {
		for _, doc := range []struct {
			name, url, code, text string
		}{
			{"certificate", good, serial.CodeText(recordtest.Sample, passed.Seal.SHA256), "Is heard as well as it should be"},
			{"hostile", wild, serial.CodeText(hostile.Report.Unit.SerialNumber, hostile.Seal.SHA256), "and 22 more"},
		} {
			if err := chromedp.Do(ctx, chromedp.Navigate(doc.url)); err != nil {
				t.Fatal(err)
			}
			pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPaper(paper.size), chromedp.PDFPrintBackground()))
			if err != nil {
				t.Fatal(err)
			}
			base := filepath.Join(dir, doc.name+paper.name)
			os.WriteFile(base+".pdf", pdf, 0o644)
			text, err := exec.Command(pdftotext, "-layout", base+".pdf", "-").Output()
			if err != nil {
				t.Fatal(err)
			}
			if n := bytes.Count(text, []byte("\f")); n != 1 {
				t.Errorf("%s on %s takes %d pages, want 1", doc.name, paper.name, n)
			}
			for _, w := range []string{"Certificate of test", doc.text} {
				if !strings.Contains(string(text), w) {
					t.Errorf("%s on %s: no %q on the paper", doc.name, paper.name, w)
				}
			}
			// The corner with the code, as a scanner's camera might see it.
			err = exec.Command(pdftoppm, "-r", "300", "-gray", "-x", "0", "-y", "2500", "-W", "1000", "-H", "1000", "-png", "-singlefile", base+".pdf", base).Run()
			if err != nil {
				t.Fatal(err)
			}
			if got := scan(t, base+".png"); got != doc.code {
				t.Errorf("%s on %s: the code reads %q, want %q", doc.name, paper.name, got, doc.code)
			}
			if keep := os.Getenv("REPORTS_TEST_PAPERS"); keep != "" { // to look at
				os.WriteFile(filepath.Join(keep, filepath.Base(base)+".pdf"), pdf, 0o644)
			}
		}
	}
}
