package bench

import "runtime/debug"

// Software is the version that goes into every report: the module's, or the
// commit that was built, marked where files had been changed since.
func Software() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown build"
	}
	return softwareOf(info)
}

func softwareOf(info *debug.BuildInfo) string {
	version, commit, changed := info.Main.Version, "", ""
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			commit = s.Value[:min(12, len(s.Value))]
		case "vcs.modified":
			if s.Value == "true" {
				changed = " with changes"
			}
		}
	}
	switch {
	case commit != "" && (version == "" || version == "(devel)"):
		return "commit " + commit + changed
	case version == "" || version == "(devel)":
		return "development build"
	}
	return version + changed
}
