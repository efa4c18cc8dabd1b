package terminal

import "fullthrow/reports/store"

// Views explains the SQL views to people.
func (s *Screen) Views(list []store.View) {
	s.Tell(0, "Programs that read databases (spreadsheets through a database driver, programs for business figures) can ask these views: at a station in the file "+store.IndexFile+" beside the records (SQLite; open it for reading only), at a plant in its PostgreSQL database. Figures that count use only rows with counts = 1. Times are UTC, values in the unit that the row names.")
	for _, v := range list {
		s.Say("")
		s.Tell(0, s.Strong(v.Name)+": "+v.About)
		var g Grid
		for _, c := range v.Columns {
			g.Add(c.Name, c.About)
		}
		g.Show(s)
	}
	s.Say("")
	s.Tell(0, "For example, first-pass yield by lot, and the readings of a unit:")
	s.Say("%s", `  SELECT lot, SUM(first_passed) * 1.0 / SUM(units) FROM v_daily_yield GROUP BY lot;
  SELECT check_name, reading, value, unit, verdict FROM v_readings
    WHERE run IN (SELECT run FROM v_runs WHERE serial_number = 'K824A00017M');`)
}
