package reports

import (
	"slices"
	"strings"
)

// UnsafeGroup is devices that could not be made safe for one cause: twelve
// lines of one unplugged board are one thing to look at.
type UnsafeGroup struct {
	Devices []string
	Kind    string // of the failure, see drivers.Kind
	Text    string // the driver's words
}

// Who names the devices: "clutch, power".
func (g UnsafeGroup) Who() string { return strings.Join(g.Devices, ", ") }

// GroupUnsafe puts devices with the same cause together, in the order in which
// the causes come.
func GroupUnsafe(list []Unsafe) []UnsafeGroup {
	var groups []UnsafeGroup
	for _, u := range list {
		i := slices.IndexFunc(groups, func(g UnsafeGroup) bool { return g.Kind == u.Kind && g.Text == u.Text })
		if i < 0 {
			i, groups = len(groups), append(groups, UnsafeGroup{Kind: u.Kind, Text: u.Text})
		}
		if !slices.Contains(groups[i].Devices, u.Device) {
			groups[i].Devices = append(groups[i].Devices, u.Device)
		}
	}
	return groups
}

// UnsafeReason is why a run whose devices are not safe is an error.
func UnsafeReason(list []Unsafe) Reason {
	why := Reason{Code: NotSafe}
	for _, u := range list {
		why.Because = append(why.Because, Reason{Code: DeviceFailed, Device: u.Device, Kind: u.Kind, Text: u.Text})
	}
	return why
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
