package store

import (
	"cmp"
	"fmt"
	"slices"

	"fullthrow/reports/archive"
)

// chain flags reports that are not in their place: signed with another key
// than the station's, out of the chain, or missing from it. It goes by what
// [reports.Verify] goes by, and finds the same. Where nothing but new reports
// that follow on came up, there is nothing to find.
func (v *survey) chain(head archive.Place, headKnown bool) {
	if !v.unlinked && v.done.Added == 0 && (!headKnown || v.ends(head)) {
		return
	}
	flagged := map[string]bool{}
	for _, f := range v.flags {
		flagged[f.File] = true
	}
	type link struct {
		*indexed
		file string
	}
	var links []link
	for file, r := range v.rows {
		if !v.fits(r.number, r.key) {
			if !flagged[file] {
				v.flags = append(v.flags, Flag{Run: r.run, Station: r.station, File: file, Kind: FlagInserted,
					Text: "signed with another key than the station's"})
			}
			continue
		}
		links = append(links, link{r, file})
	}
	slices.SortFunc(links, func(a, b link) int {
		return cmp.Or(cmp.Compare(a.number, b.number),
			cmp.Compare(a.file, b.file))
	})
	out := func(l link, format string, args ...any) {
		if !flagged[l.file] {
			flagged[l.file] = true
			v.flags = append(v.flags, Flag{Run: l.run, Station: l.station, File: l.file, Kind: FlagInserted,
				Text: fmt.Sprintf(format, args...)})
		}
	}
	station := ""
	missing := func(from, to int64) { // [from, to]
		for from <= to && v.lost[from] {
			from++
		}
		for to >= from && v.lost[to] {
			to--
		}
		f := Flag{Station: station, Kind: FlagRemoved, Text: fmt.Sprintf("report number %d is missing", from)}
		if to > from {
			f.Text = fmt.Sprintf("reports number %d to %d are missing", from, to)
		}
		if from <= to {
			v.flags = append(v.flags, f)
		}
	}
	prev := link{indexed: &indexed{}}
	for _, l := range links {
		station = l.station
		switch {
		case l.number < 1:
			out(l, "number %d is none", l.number)
			continue
		case l.number == prev.number:
			if prev.hash == l.previous || l.previous == prev.previous {
				out(l, "number %d stands twice, also in %s", l.number, prev.file)
			} else {
				out(l, "number %d stands twice, also in %s, and does not follow the one before", l.number, prev.file)
			}
			continue
		case l.number > prev.number+1:
			missing(prev.number+1, l.number-1)
		case l.previous != prev.hash && !prev.spoiled:
			out(l, "does not follow report number %d (%s): one of the two was replaced or renumbered", prev.number,
				prev.file)
		}
		prev = l
	}
	if headKnown && head.Number > prev.number {
		missing(prev.number+1, head.Number)
	}
	if i := slices.IndexFunc(links, func(l link) bool {
		return l.number == head.Number &&
			l.hash != head.SHA256
	}); headKnown && i >= 0 &&
		!slices.ContainsFunc(links, func(l link) bool { return l.number == head.Number && l.hash == head.SHA256 }) {
		out(links[i], "is not the report that was sealed as number %d", head.Number)
	}
}

// ends says whether the head of the chain is among the reports, and at most
// one behind the newest: a crash may have come between the two.
func (v *survey) ends(head archive.Place) bool {
	fits := head.Number == 0 && len(v.rows) == 0
	var newest int64
	for _, r := range v.rows {
		newest = max(newest, r.number)
		fits = fits || r.number == head.Number && r.hash == head.SHA256
	}
	return (fits || head.Number == 0) && newest <= head.Number+1
}
