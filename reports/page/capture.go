package page

import (
	"cmp"
	"encoding/base64"
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"fullthrow/reports"
	"fullthrow/reports/draw"
)

// capture is one with its drawing.
type capture struct {
	Title, About string
	Full         string // "check.name"
	SVG          template.HTML
	Pictures     []shown
	Notes        []string
	Kept         string // what became of its raw data
	Hear, Save   string
	Sound, File  string  // addresses of what can be heard, and of the raw data
	off          float64 // how far it is from the good unit's; see apart
}

// shown is a small copy of a picture, within the page.
type shown struct {
	Src           template.URL
	Alt, Caption  string
	Width, Height int // pixels of the whole picture
}

// mostShown is how large a copy may be to be drawn: what a runner makes is far smaller.
const mostShown = 256 << 10

// pictures are the copies of a capture: what was seen first, beside it what it was
// compared with.
func (w words) pictures(c reports.Capture) (list []shown) {
	for _, p := range c.Pictures {
		if p.Media != "image/png" && p.Media != "image/jpeg" || len(p.Data) > mostShown || p.Width < 1 || p.Height < 1 {
			continue
		}
		one := shown{Width: p.Width, Height: p.Height, Caption: w.T("report.picture.seen"),
			Src: template.URL("data:" + p.Media + ";base64," + base64.StdEncoding.EncodeToString(p.Data))}
		one.Alt = w.T("report.picture.alt_seen", "name", c.Check+"."+c.Name)
		if p.Role == reports.ReferencePicture {
			one.Caption = w.T("report.picture.reference", "name", p.Name)
			one.Alt = w.T("report.picture.alt_reference", "name", c.Check+"."+c.Name)
		}
		list = append(list, one)
	}
	return list
}

// extensions are those that captures are kept with, by their media type.
var extensions = map[string]string{"audio/wav": ".wav", "text/csv": ".csv", reports.TalkMedia: ".txt",
	"image/png": ".png", "image/jpeg": ".jpg"}

// talk is what was said with a device.
type talk struct {
	Title, Text, Kept string
	File, Save        string // address of it as a file
}

// talks takes what was said with devices out of the captures. All of it is of
// printable characters; a reader unfolds it.
func (v *View) talks(list []reports.Capture, opts Options) []reports.Capture {
	return slices.DeleteFunc(list, func(c reports.Capture) bool {
		if c.Media != reports.TalkMedia || c.Plot != nil {
			return false
		}
		one := talk{Title: v.T("report.talk", "device", c.Name), Kept: v.T("report.not_kept")}
		if c.SHA256 != "" {
			one.Kept = v.T("report.kept", "media", c.Media, "size", v.size(c.Size), "name", reports.Brief(c.SHA256, 17))
			if strings.Trim(c.SHA256, "0123456789abcdef") == "" {
				if opts.Said != nil {
					if text, ok := opts.Said(c.SHA256); ok {
						one.Text = text
					}
				}
				if opts.Attachments != "" {
					one.File, one.Save = opts.Attachments+c.SHA256+".txt", v.T("report.save")
				}
			}
		}
		v.Talks = append(v.Talks, one)
		return true
	})
}

// captures draws them: of checks that failed first. Where there is a good unit,
// what differs most from it comes first; what does not differ steps back,
// unless nothing does.
func (v *View) captures(opts Options) {
	list := v.talks(slices.Clone(v.Report.Captures), opts)
	failed := func(c reports.Capture) bool {
		return slices.ContainsFunc(v.Missed, func(m reading) bool { return broken(m.Verdict) && m.Check == c.Check })
	}
	if opts.FailedCaptures {
		list = slices.DeleteFunc(list, func(c reports.Capture) bool { return !failed(c) })
	}
	slices.SortStableFunc(list, func(a, b reports.Capture) int { return rank(failed(b)) - rank(failed(a)) })
	v.NotKept = len(list) > 0 && !slices.ContainsFunc(list, func(c reports.Capture) bool { return c.SHA256 != "" })
	for i, c := range list {
		var beside []reports.Series
		if opts.Good != nil && failed(c) {
			if k := slices.IndexFunc(opts.Good.Captures, func(o reports.Capture) bool {
				return o.Check == c.Check && o.Name == c.Name && o.Plot != nil
			}); k >= 0 {
				beside = opts.Good.Captures[k].Plot.Series
			}
		}
		one := v.newCapture(c, beside, fmt.Sprint("capture-", i))
		switch {
		case c.SHA256 != "":
			one.Kept = v.T("report.kept", "media", c.Media, "size", v.size(c.Size), "name", reports.Brief(c.SHA256, 17))
			ext := extensions[c.Media]
			if ext != "" && opts.Attachments != "" && strings.Trim(c.SHA256, "0123456789abcdef") == "" {
				one.Hear, one.Save = v.T("report.hear"), v.T("report.save")
				if one.File = opts.Attachments + c.SHA256 + ext; ext == ".wav" {
					one.Sound = one.File
				}
			}
		case !v.NotKept: // else it is said once
			one.Kept = v.T("report.not_kept")
		}
		v.Captures = append(v.Captures, one)
	}
	if opts.Good == nil {
		return
	}
	v.Good = &link{opts.GoodHref, opts.Good.Unit.SerialNumber}
	slices.SortStableFunc(v.Captures, func(x, y capture) int { return cmp.Compare(y.off, x.off) })
	if n := slices.IndexFunc(v.Captures, func(k capture) bool { return k.off < alike }); n > 0 {
		v.Captures, v.Alike = v.Captures[:n:n], v.Captures[n:]
	}
}

func rank(first bool) int {
	if first {
		return 1
	}
	return 0
}

// newCapture draws a capture, a good unit's lines behind it; where it has no
// points there is no drawing.
func (w words) newCapture(c reports.Capture, beside []reports.Series, id string) capture {
	one := capture{Full: c.Check + "." + c.Name, Title: c.Name}
	if one.Pictures = w.pictures(c); len(one.Pictures) > 0 {
		one.off = 1 // no line of a good unit to compare with
	}
	if c.Plot == nil {
		return one
	}
	p := *c.Plot
	one.off = apart(p.Series, beside)
	if len(beside) > 0 {
		p.Series = differing(p.Series, beside)
	}
	p.XLabel, p.YLabel, p.Series = w.Axis(p.XLabel), w.Axis(p.YLabel), slices.Clone(p.Series)
	var xs, ys []float64
	for i, s := range p.Series {
		xs, ys = append(xs, s.X...), append(append(ys, s.Y...), s.Low...)
		p.Series[i].Name = w.Axis(s.Name)
	}
	one.Title = cmp.Or(w.own(p.Title), w.T("report.over", "y", p.YLabel, "x", p.XLabel))
	k := draw.Capture{Frame: draw.Frame{ID: id, Title: one.Title, Width: 660, Height: 240}, Plot: p, Beside: beside}
	k.Desc = w.extent(p.XLabel, xs) + w.T("record.comma") + w.extent(p.YLabel, ys)
	if f, _ := k.Figure(); f.Panels[0].Blank() {
		one.Title = w.T("report.head.no_points", "title", one.Title)
		return one
	}
	d := k.Draw(w.Translator)
	one.SVG, one.Notes = d.SVG, d.Notes
	return one
}

// extent says from where to where values of an axis "quantity / unit" reach.
func (w words) extent(label string, values []float64) string {
	values = slices.DeleteFunc(values, func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) })
	a := draw.Named(label)
	if len(values) == 0 {
		return a.Name
	}
	return w.T("report.extent", "name", a.Name, "low", w.Quantity(slices.Min(values), a.Unit),
		"high", w.Quantity(slices.Max(values), a.Unit))
}

func (w words) size(n int64) string {
	switch {
	case n < 1000:
		return w.T("report.bytes", "size", n)
	case n < 1e6:
		return w.Fixed(float64(n)/1e3, 1) + " kB"
	}
	return w.Fixed(float64(n)/1e6, 1) + " MB"
}

// differing are the lines that are not as the good unit's; all of them where
// none differs.
func differing(these, good []reports.Series) []reports.Series {
	least := max(alike, apart(these, good)/4) // beside the line that is far off, the others do not count
	list := slices.DeleteFunc(slices.Clone(these), func(s reports.Series) bool {
		return apart([]reports.Series{s}, good) < least
	})
	if len(list) == 0 {
		return these
	}
	return list
}

// alike is how far a capture may be from a good unit's and still show nothing.
const alike = 0.01

// apart is how far the lines of a capture are from those of the same name of a
// good unit: the largest root mean square of the difference, in parts of the
// range of both. 1 where there is nothing to compare with.
func apart(these, good []reports.Series) float64 {
	worst, compared := 0.0, false
	for _, s := range these {
		i := slices.IndexFunc(good, func(g reports.Series) bool { return g.Name == s.Name })
		if i < 0 {
			continue
		}
		g := good[i]
		n := min(len(g.X), len(g.Y))
		if n == 0 {
			continue
		}
		low, high, sum, count := math.Inf(1), math.Inf(-1), 0.0, 0.0
		k := 0
		for j := range min(len(s.X), len(s.Y)) {
			for k < n-1 && g.X[k+1] <= s.X[j] {
				k++
			}
			y := g.Y[k]
			if k < n-1 && g.X[k+1] > g.X[k] && s.X[j] > g.X[k] {
				y += (g.Y[k+1] - y) * (s.X[j] - g.X[k]) / (g.X[k+1] - g.X[k])
			}
			d := s.Y[j] - y
			if math.IsNaN(d) || math.IsInf(d, 0) {
				continue
			}
			low, high = min(low, s.Y[j], y), max(high, s.Y[j], y)
			sum, count = sum+d*d, count+1
		}
		if count > 0 {
			compared = true
			if high > low {
				worst = max(worst, math.Sqrt(sum/count)/(high-low))
			}
		}
	}
	if !compared {
		return 1
	}
	return worst
}

// course is the run drawn along its time.
type course struct {
	Width   float64
	Steps   []step
	End     float64 // place of the mark where the plan means to be done, 0 none
	Label   string  // of that mark, at LabelAt
	LabelAt float64
	Desc    string
	Tally   []tally
	Took    string
}

type tally struct{ Shape, Text string }

type step struct {
	X, Width, Mid float64
	Shape, Name   string
	Anchor        string
	Row           int // of its label
	LabelY        float64
	Leader        float64 // from the middle of the step down to the label
	Took          string
}

func round1(v float64) float64 { return math.Round(v*10) / 10 }

const courseWidth = 660.0

// newCourse draws the checks along the time of the run.
func (w words) newCourse(r reports.Report, checks []check) course {
	c := course{Width: courseWidth, Took: w.T("report.took", "time", w.took(r.Ended.Sub(r.Started)))}
	counts := map[string]int{}
	for _, v := range checks {
		counts[v.Shape]++
	}
	for _, shape := range []string{"fail", "doubt", "error", "pass", "none"} {
		if n := counts[shape]; n > 0 {
			c.Tally = append(c.Tally, tally{shape, w.T("report.tally."+shape, "count", n)})
		}
	}
	total := r.Ended.Sub(r.Started).Seconds()
	if !(total > 0) {
		return c
	}
	end := total
	if r.CycleTime > total && r.CycleTime < 4*total {
		end = r.CycleTime * 1.02
	}
	if r.CycleTime > 0 && r.CycleTime <= end {
		c.End = round1(courseWidth * r.CycleTime / end)
		c.Label = w.T("report.cycle_time", "time", w.Quantity(r.CycleTime, "s"))
		half := float64(len([]rune(c.Label)))*3.4 + 5
		c.LabelAt = min(max(c.End, half), courseWidth-half)
	}
	free := [3]float64{} // where each row of labels is free again
	for _, v := range checks {
		if v.Started.IsZero() {
			continue
		}
		ended := v.Ended
		if ended.IsZero() {
			ended = r.Ended
		}
		s := step{Shape: v.Shape, Name: reports.Brief(v.Name, 14), Anchor: v.Anchor, Took: w.took(ended.Sub(v.Started))}
		s.X = round1(courseWidth * v.Started.Sub(r.Started).Seconds() / end)
		s.Width = round1(max(2, courseWidth*ended.Sub(v.Started).Seconds()/end-1.5))
		half := float64(len([]rune(s.Name)))*3.4 + 5
		s.Mid = min(max(s.X+s.Width/2, half), courseWidth-half)
		s.Row = -1
		for row := range free {
			if s.Mid-half >= free[row] {
				s.Row, free[row] = row, s.Mid+half
				break
			}
		}
		s.LabelY = 46 + 14*float64(max(s.Row, 0))
		s.Leader = round1(s.X + s.Width/2)
		c.Steps = append(c.Steps, s)
	}
	c.Desc = w.T("report.tally.course", "count", len(c.Steps), "time", w.took(r.Ended.Sub(r.Started)))
	return c
}
