package yield

import (
	"fullthrow/reports/statistics"
)

// MomentsOf are the [statistics.MomentsOf] values of a reading.
func MomentsOf(name, unit string, values []float64) (m Moments, dropped int) {
	m = Moments{Name: name, Unit: unit}
	m.Moments, dropped = statistics.MomentsOf(values)
	return m, dropped
}
