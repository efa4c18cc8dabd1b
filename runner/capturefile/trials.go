package capturefile

import (
	"reflect"

	"fullthrow/runner/measure"
)

// Table reads a list of structs of package measure: a column for each field, by
// name and unit. The units are those of the file where a field's unit follows
// from what is measured ([measure.Follows]).
func (f *File) Table(kind string, list reflect.Type) (rows any, units map[string]string, err error) {
	fields := measure.Fields(list.Elem())
	names := make([]string, len(fields))
	for i, field := range fields {
		names[i] = field.Name
	}
	columns, err := f.need(kind, names...)
	if err != nil {
		return nil, nil, err
	}
	out := reflect.MakeSlice(list, f.Rows(), f.Rows())
	units = map[string]string{}
	for i, field := range fields {
		var values any
		switch field.Type.Kind() {
		case reflect.Bool:
			values, err = f.truths(columns[i])
		case reflect.Int:
			values, err = f.counts(columns[i])
		default:
			to := field.Unit
			if measure.Follows[to] != "" {
				to = ""
			}
			values, units[field.Unit], err = f.numbers(columns[i], to)
		}
		if err != nil {
			return nil, nil, err
		}
		for k, v := 0, reflect.ValueOf(values); k < v.Len(); k++ {
			out.Index(k).Field(field.Index).Set(v.Index(k))
		}
	}
	for k := range out.Len() {
		if row, ok := out.Index(k).Interface().(measure.Row); ok && row.Fault() != "" {
			return nil, nil, f.wrong(int(f.lines[k]), "", "%s", row.Fault())
		}
	}
	return out.Interface(), units, nil
}

// Points is a table of settled readings of a stepped sweep, and the units of
// the commanded position and the output. An output in us beside a position in
// % is made % of throw. Without a column cycle, a new cycle begins where the
// direction turns from down to up.
func (f *File) Points() (points []measure.TravelPoint, units [2]string, err error) {
	c, err := f.need("points", "commanded", "output", "direction")
	if err != nil {
		return nil, units, err
	}
	commandedTo := ""
	if c[0].unit == "1" || c[0].unit == "" || c[0].unit == "%" {
		commandedTo = "%"
	}
	if c[0].unit == "" {
		return nil, units, f.wrong(f.header, `write "commanded / %", or "commanded / 1" for -1 to +1`,
			"column %q has no unit", c[0].label)
	}
	commanded, unit, err := f.numbers(c[0], commandedTo)
	if err != nil {
		return nil, units, err
	}
	units[0] = unit
	var output []float64
	switch u := c[1].unit; {
	case u == "us" || u == "µs" || u == "ms" || u == "s":
		if output, _, err = f.numbers(c[1], "us"); err != nil {
			return nil, units, err
		}
		if err := f.plausible(c[1], output); err != nil {
			return nil, units, err
		}
		if units[1] = "s"; units[0] == "%" {
			units[1] = "%"
			scaled := make([]float64, len(output))
			for i, v := range output {
				scaled[i] = (v - 1500) / 5.12
			}
			output = scaled
		} else if output, _, err = f.numbers(c[1], "s"); err != nil {
			return nil, units, err
		}
	case u == "":
		return nil, units, f.wrong(f.header, `write "output / us"`, "column %q has no unit", c[1].label)
	default:
		to := ""
		if u == "1" {
			to = "%"
		}
		if output, units[1], err = f.numbers(c[1], to); err != nil {
			return nil, units, err
		}
	}
	up, err := f.truths(c[2])
	if err != nil {
		return nil, units, err
	}
	var cycles []int
	if cycle := f.find("cycle"); cycle != nil {
		if cycles, err = f.counts(cycle); err != nil {
			return nil, units, err
		}
	}
	points = make([]measure.TravelPoint, len(output))
	cycle := 1
	for i := range output {
		if i > 0 && up[i] && !up[i-1] {
			cycle++
		}
		points[i] = measure.TravelPoint{Cycle: cycle, Up: up[i], Commanded: commanded[i], Output: output[i]}
		if cycles != nil {
			points[i].Cycle = cycles[i]
		}
	}
	return points, units, nil
}
