package reports

import (
	"slices"
	"strings"
)

// UnsafeGroup is devices that could not be made safe for one cause: twelve
// lines of one unplugged board are one thing to look at.
type UnsafeGroup struct {
	Devices []string
	Text    string // the cause
}

// Who names the devices: "clutch, power".
func (g UnsafeGroup) Who() string { return strings.Join(g.Devices, ", ") }

// GroupUnsafe puts devices with the same cause together, in the order in which
// the causes come.
func GroupUnsafe(list []Unsafe) []UnsafeGroup {
	var groups []UnsafeGroup
	for _, u := range list {
		i := slices.IndexFunc(groups, func(g UnsafeGroup) bool { return g.Text == u.Text })
		if i < 0 {
			i, groups = len(groups), append(groups, UnsafeGroup{Text: u.Text})
		}
		if !slices.Contains(groups[i].Devices, u.Device) {
			groups[i].Devices = append(groups[i].Devices, u.Device)
		}
	}
	return groups
}

// UnsafeText names the devices and why, in English, "" for none:
// "clutch, power: unplugged; supply: no reply in 1s".
func UnsafeText(list []Unsafe) string {
	var parts []string
	for _, g := range GroupUnsafe(list) {
		parts = append(parts, g.Who()+": "+g.Text)
	}
	return strings.Join(parts, "; ")
}

// UnsafeDrives is what the devices can hurt with together, each once: "motion",
// "power" and "radio", in this order, and "" where that is not known of one of
// them.
func UnsafeDrives(list []Unsafe) []string {
	var drives []string
	known := []string{"motion", "power", "radio"}
	for _, u := range list {
		if len(u.Drives) == 0 {
			drives = append(drives, "")
		}
		for _, h := range u.Drives {
			if !slices.Contains(known, h) {
				h = ""
			}
			drives = append(drives, h)
		}
	}
	at := func(h string) int {
		if i := slices.Index(known, h); i >= 0 {
			return i
		}
		return len(known)
	}
	slices.SortFunc(drives, func(a, b string) int { return at(a) - at(b) })
	return slices.Compact(drives)
}

// UnsafeWarning says in English, to whoever stands at the fixture, what may
// happen and what to do now; "" for none.
func UnsafeWarning(list []Unsafe) string {
	drives := UnsafeDrives(list)
	if len(drives) == 0 {
		return ""
	}
	may := map[string]string{
		"motion": "may still move", "power": "may still have power", "radio": "may still transmit", "": "may still hurt you",
	}
	var words []string
	for _, h := range drives {
		words = append(words, may[h])
	}
	todo := "switch it off at its mains switch before you reach in"
	switch {
	case drives[0] == "motion":
		todo = "hands out, press the emergency stop, then switch it off at its mains switch"
	case drives[0] == "radio" && len(drives) == 1:
		todo = "switch it off at its mains switch"
	}
	return "the fixture " + enumerate(words) + ": " + todo
}

func enumerate(words []string) string {
	last := len(words) - 1
	if last == 0 {
		return words[0]
	}
	return strings.Join(words[:last], ", ") + " and " + words[last]
}
