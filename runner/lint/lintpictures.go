package lint

import (
	"fmt"

	"fullthrow/runner/input"
	"fullthrow/runner/picture"
	"fullthrow/runner/product"
)

// shownMost is how large a picture beside a question may be: what the station's pages
// send of it.
const shownMost = 4 << 20

// Pictures decodes the reference pictures that the plan names, and looks at those
// that it shows with its questions. Missing or oversized references have kept the
// plan from being loaded.
func Pictures(m *product.Method, home product.Folder) (problems []input.Problem) {
	for _, e := range m.Plan.CheckPictures() {
		problems = append(problems, input.At(m.File(e.File), e.Line, e.Text, e.Hint))
	}
	for _, u := range m.Plan.Uses() {
		if u.Kind != "shown" {
			continue
		}
		at := func(format string, args ...any) {
			problems = append(problems, input.At(m.File(u.File), u.Line, fmt.Sprintf("picture "+u.Name+": "+format,
				args...), "a question's picture lies beside the plan: svg, png or jpg"))
		}
		data, err := input.ReadFS(home.Files, u.Name, shownMost)
		if err != nil {
			at("cannot be read: %v", err)
			continue
		}
		if len(u.Name) > 4 && u.Name[len(u.Name)-4:] == ".svg" {
			continue
		}
		if _, err := picture.ReadHead(data); err != nil {
			at("%v", err)
		}
	}
	return problems
}
