package station

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
	"strconv"
	"time"

	"fullthrow/drivers"
	"fullthrow/reports"
)

// plotPoints is how many points of a capture its plot has at most: enough for
// the width of a page, few enough to be sealed with the report.
const plotPoints = 200

// isSound tells sound, kept as WAV, from other samples, kept as CSV.
func isSound(s drivers.Samples) bool { return s.Unit == "1" || s.Unit == "Pa" }

// plot draws a capture small: the envelope of samples, every channel of
// frames that moves, every axis of a path; nil for anything else.
func plot(title string, capture any) *reports.Plot {
	switch c := capture.(type) {
	case drivers.Samples:
		y := "current / A"
		if isSound(c) {
			y = "sound / full scale"
			if c.Unit == "Pa" {
				y = "sound pressure / Pa"
			}
		}
		return &reports.Plot{Title: title, XLabel: "time / s", YLabel: y, Series: []reports.Series{envelope(c)}}
	case drivers.Frames:
		return &reports.Plot{Title: title, XLabel: "time / s", YLabel: "pulse width / µs", Series: channels(c)}
	case drivers.Path:
		return &reports.Plot{Title: title, XLabel: "time / s", YLabel: "position / full throw", Series: axes(c)}
	}
	return nil
}

func envelope(s drivers.Samples) reports.Series {
	n := s.Count()
	step := (n + plotPoints - 1) / plotPoints
	var out reports.Series
	for i := 0; i < n && step > 0; i += step {
		lo, hi := math.Inf(1), math.Inf(-1)
		for j := i; j < min(i+step, n); j++ {
			v := s.Values[j*s.Channels]
			lo, hi = min(lo, v), max(hi, v)
		}
		if math.IsInf(lo, 0) || math.IsNaN(lo) || math.IsNaN(hi) {
			continue
		}
		out.X = append(out.X, round(float64(i)/s.Rate))
		out.Y = append(out.Y, round(hi))
		out.Low = append(out.Low, round(lo))
	}
	return out
}

// round keeps four digits: more than a drawing shows, far fewer bytes.
func round(v float64) float64 {
	r, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 4, 64), 64)
	if err != nil {
		return v
	}
	return r
}

func channels(f drivers.Frames) []reports.Series {
	if len(f.Frames) == 0 {
		return nil
	}
	step := (len(f.Frames) + plotPoints - 1) / plotPoints
	var out []reports.Series
	for ch := 1; ch <= min(8, len(f.Frames[0].Channels)); ch++ {
		s := reports.Series{Name: "channel " + strconv.Itoa(ch)}
		lo, hi := math.Inf(1), math.Inf(-1)
		for i := 0; i < len(f.Frames); i += step {
			if len(f.Frames[i].Channels) < ch {
				continue
			}
			v := f.Microseconds(i, ch)
			lo, hi = min(lo, v), max(hi, v)
			s.X = append(s.X, round(f.Frames[i].At.Seconds()))
			s.Y = append(s.Y, round(v))
		}
		if hi-lo > 2 { // a channel at rest says nothing in a drawing
			out = append(out, s)
		}
	}
	return out
}

func axes(p drivers.Path) []reports.Series {
	if len(p) == 0 {
		return nil
	}
	var names []string
	for name := range p[0].To {
		names = append(names, name)
	}
	sort.Strings(names)
	var out []reports.Series
	for _, name := range names {
		s := reports.Series{Name: name}
		for _, seg := range p {
			s.X = append(s.X, round(seg.Start.Sub(p[0].Start).Seconds()), round(seg.End.Sub(p[0].Start).Seconds()))
			s.Y = append(s.Y, round(seg.From[name]), round(seg.To[name]))
		}
		out = append(out, s)
	}
	return out
}

// encode turns a capture into a file: sound as WAV, a picture as it came, everything else as CSV as
// package capturefile documents it, so that the file measures as the capture
// did. Times of all captures of a run count from zero, the beginning of its
// first; a WAV file cannot say when it began.
func encode(capture any, zero time.Time, sound func(drivers.Samples) ([]byte, error)) (ext, media string, data []byte,
	err error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	switch c := capture.(type) {
	case drivers.Samples:
		if isSound(c) {
			if sound == nil {
				return "", "", nil, fmt.Errorf("this bench has no way to write sound")
			}
			data, err = sound(c)
			return "wav", "audio/wav", data, err
		}
		fmt.Fprintf(&b, "# start: %s s\n# rate: %s Hz\n", sinceZero(c.Start, zero), exact(c.Rate))
		head := []string{"time_s"}
		for ch := range c.Channels {
			head = append(head, fmt.Sprintf("value%d_%s", ch+1, c.Unit))
		}
		w.Write(head)
		for i := range c.Count() {
			row := []string{ftoa(float64(i) / c.Rate)}
			for ch := range c.Channels {
				row = append(row, ftoa(c.Values[i*c.Channels+ch]))
			}
			w.Write(row)
		}
	case drivers.Frames:
		fmt.Fprintf(&b, "# start: %s s\n# length: %s s\n# period: %s s\n# format: %s\n# damaged: %d\n",
			sinceZero(c.Start, zero), exact(c.Length.Seconds()), exact(c.Period.Seconds()), c.Format, c.Damaged)
		if c.Gain > 0 {
			fmt.Fprintf(&b, "# gain: %s us\n# offset: %s us\n", exact(c.Gain), exact(c.Offset))
		}
		head := []string{"time_s", "lost", "failsafe"}
		n := 0
		if len(c.Frames) > 0 {
			n = len(c.Frames[0].Channels)
		}
		for ch := range n {
			head = append(head, fmt.Sprintf("channel%d_us", ch+1))
		}
		w.Write(head)
		for i, f := range c.Frames {
			row := []string{exact(f.At.Seconds()), strconv.FormatBool(f.Lost), strconv.FormatBool(f.Failsafe)}
			for ch := range n {
				if ch < len(f.Channels) {
					row = append(row, ftoa(c.Microseconds(i, ch+1)))
				} else {
					row = append(row, "")
				}
			}
			w.Write(row)
		}
	case drivers.Path:
		if len(c) > 0 {
			fmt.Fprintf(&b, "# start: %s s\n", sinceZero(c[0].Start, zero))
		}
		head := []string{"start_s", "end_s", "axis", "from", "to"}
		late := slices.ContainsFunc(c, func(s drivers.Segment) bool { return s.Late() > time.Millisecond })
		if late {
			head = append(head, "takes_s")
		}
		ramps := slices.ContainsFunc(c, func(s drivers.Segment) bool { return s.Ramp() > time.Millisecond })
		if ramps {
			head = append(head, "even_s")
		}
		w.Write(head)
		for _, seg := range c {
			for _, axis := range slices.Sorted(maps.Keys(seg.To)) {
				row := []string{exact(seg.Start.Sub(c[0].Start).Seconds()), exact(seg.End.Sub(c[0].Start).Seconds()),
					axis, ftoa(seg.From[axis]), ftoa(seg.To[axis])}
				if late {
					row = append(row, exact((seg.End.Sub(seg.Start) - seg.Late()).Seconds()))
				}
				if ramps {
					row = append(row, exact((seg.End.Sub(seg.Start) - seg.Late() - seg.Ramp()).Seconds()))
				}
				w.Write(row)
			}
		}
	case []float64:
		w.Write([]string{"value"})
		for _, v := range c {
			if math.IsNaN(v) { // a trial without answer
				w.Write([]string{"-"})
				continue
			}
			w.Write([]string{ftoa(v)})
		}
	case pictureFile:
		return map[string]string{"image/png": "png", "image/jpeg": "jpg"}[c.media], c.media, c.data, nil
	case said:
		return "txt", reports.TalkMedia, []byte(c), nil
	default:
		return "", "", nil, fmt.Errorf("a %T is not a capture", capture)
	}
	w.Flush()
	return "csv", "text/csv", b.Bytes(), w.Error()
}

// beginning is when a capture began; zero where it does not say.
func beginning(capture any) time.Time {
	switch c := capture.(type) {
	case drivers.Samples:
		return c.Start
	case drivers.Frames:
		return c.Start
	case drivers.Path:
		if len(c) > 0 {
			return c[0].Start
		}
	}
	return time.Time{}
}

func sinceZero(t, zero time.Time) string { return exact(t.Sub(zero).Seconds()) }

// ftoa keeps nine digits, more than any converter has; -0 is 0.
func ftoa(v float64) string { return strconv.FormatFloat(v+0, 'g', 9, 64) }

func exact(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
