package wording

import "fullthrow/reports/yield"

// ChartKind is what a kind of control chart is called.
func ChartKind(t *Translator, kind yield.ChartKind) string {
	return t.T("figures.chart." + string(kind))
}

// Panel is what a panel of a control chart shows.
func Panel(t *Translator, of yield.PanelOf) string { return t.T("figures.panel." + string(of)) }

// ChartOf is what a chart is of: a reading by its name, or what fails.
func ChartOf(t *Translator, c yield.ControlChart) string {
	switch c.Kind {
	case yield.ChartP, yield.ChartNP, yield.ChartPPrime:
		return t.T("figures.what.failed")
	case yield.ChartC, yield.ChartU, yield.ChartUPrime:
		return t.T("figures.what.defects")
	}
	return c.Name
}

// Chart is what a control chart says, in a sentence.
func Chart(t *Translator, c yield.ControlChart) string {
	points := 0
	for _, p := range c.Panels {
		points = max(points, len(p.Points))
	}
	return t.T("figures.state."+string(c.State), "what", ChartOf(t, c), "count", c.Signals, "points", points, "chance",
		t.Digits(c.Chance, 2))
}

// ChartMeans is what that means, and what to do. where names the point at which
// a rule fired first.
func ChartMeans(t *Translator, c yield.ControlChart, where string) []string {
	id := "figures.state." + string(c.State) + "_means"
	if c.First == nil || c.State != yield.StateSignals {
		return []string{t.T(id)}
	}
	out := []string{t.T(id, "where", where, "panel", Panel(t, c.Panels[c.First.Panel].Of))}
	if c.Limits.From != yield.LimitsGiven {
		out = append(out, t.T("figures.state.signals_limits"))
	}
	return out
}

// ChartLimits is where control limits are from: "limits from these 25 points".
func ChartLimits(t *Translator, l yield.Limits) string {
	switch {
	case l.From != yield.LimitsGiven:
		return t.T("figures.limits."+string(l.From), "count", l.Points)
	case l.About != "":
		return t.T("figures.limits.given_about", "about", l.About)
	case l.Points > 0:
		return t.T("figures.limits.given_points", "count", l.Points)
	}
	return t.T("figures.limits.given")
}

// Rule is what fired, and what has probably happened.
func Rule(t *Translator, code yield.RuleCode) (name, means string) {
	return t.T("figures.rule." + string(code)), t.T("figures.rule." + string(code) + "_means")
}

// Side is where a rule fired; "" where that means nothing.
func Side(t *Translator, side yield.HitSide) string {
	if side == "" {
		return ""
	}
	return t.T("figures.side." + string(side))
}

// Hit is a rule that fired on a chart of values of a unit, in a sentence or two.
func Hit(t *Translator, h yield.RuleHit, unit string) string {
	name, means := Rule(t, h.Code)
	side := Side(t, h.Side)
	if h.Code == yield.RuleStep { // has no sign
		side = ""
	}
	if h.Size > 0 {
		side += ", " + t.T("figures.rule_size", "size", t.Quantity(h.Size, unit))
	}
	return t.T("figures.hit", "name", brackets(t, name, side), "means", means)
}

// NoChart is why there is no chart.
func NoChart(t *Translator, why yield.Remark) string {
	return t.T("figures.no_chart", "why", Remark(t, why))
}
