package script

import (
	"sync"

	"fullthrow/runner/measure"
)

// measures are the functions that plans call as measure.<name>, bound when the
// first plan is loaded.
var measures = sync.OnceValues(func() ([]binding, error) {
	var list []binding
	for _, m := range measure.Measurements() {
		b, err := bind("measure."+m.Name, m.Call)
		if err != nil {
			return nil, err
		}
		list = append(list, b)
	}
	return list, nil
})
