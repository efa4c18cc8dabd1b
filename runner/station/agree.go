package station

import "fullthrow/reports"

// Agree is what an agreeable operator would say.
func Agree(p reports.Prompt) reports.Value {
	switch p.Kind {
	case "confirm":
		return reports.Bool(true)
	case "number":
		return reports.Number(0)
	case "choose":
		if len(p.Choices) > 0 {
			return reports.Text(p.Choices[0])
		}
	}
	return reports.Text("rehearsal")
}
