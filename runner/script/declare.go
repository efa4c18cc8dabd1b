package script

import (
	lua "github.com/yuin/gopher-lua"
)

const maxChecks = 500

// declarePlan is plan{ product=, revision=, cycle_time=, deadline= }.
func declarePlan(t *task, L *lua.LState) int {
	p := t.atTop(L, "plan")
	o := t.options(L, "plan", L.Get(1), "product", "revision", "cycle_time", "deadline")
	if p.Product != "" {
		return t.raisef(L, "", "plan: said twice")
	}
	p.Product, p.Revision = o.text("product"), o.text("revision")
	if p.Product == "" {
		return t.raisef(L, `product = "kittiwake-k8"`, "plan: product is missing")
	}
	p.CycleTime = o.duration("cycle_time", 0)
	if p.Deadline = o.duration("deadline", DefaultPlanDeadline); p.Deadline <= 0 {
		return t.raisef(L, "", "plan: a deadline of 0 s")
	}
	return 0
}

// declareCheck is check(name [, { about=, part=, deadline=, vital=, when=,
// retake= }], fn).
func declareCheck(t *task, L *lua.LState) int {
	p := t.atTop(L, "check")
	c := Check{Name: t.name(L, "check", L.Get(1)), Deadline: DefaultCheckDeadline}
	what := "check " + c.Name
	body, opts := L.Get(2), lua.LValue(lua.LNil)
	if L.GetTop() > 2 {
		opts, body = body, L.Get(3)
	}
	o := t.options(L, what, opts, "about", "part", "deadline", "vital", "when", "retake")
	c.About, c.Part, c.Vital = o.text("about"), o.text("part"), o.boolean("vital")
	if c.Deadline = o.duration("deadline", DefaultCheckDeadline); c.Deadline <= 0 {
		return t.raisef(L, "", "%s: a deadline of 0 s", what)
	}
	when, ok := o.get("when").(*lua.LFunction)
	if !ok && o.has("when") {
		return t.raisef(L, "when = function() return ... end", "%s: when must be a function, not %s", what,
			describe(o.get("when")))
	}
	retake, ok := o.get("retake").(*lua.LFunction)
	if !ok && o.has("retake") {
		return t.raisef(L, "retake = function() ... end", "%s: retake must be a function, not %s", what,
			describe(o.get("retake")))
	}
	fn, ok := body.(*lua.LFunction)
	if !ok {
		return t.raisef(L, `check("`+c.Name+`", { about = "..." }, function() ... end)`,
			"%s: the body must be a function, not %s", what, describe(body))
	}
	for _, d := range p.Checks {
		if d.Name == c.Name {
			return t.raisef(L, "", "%s: declared before, at %s:%d", what, d.File, d.Line)
		}
	}
	if len(p.Checks) >= maxChecks {
		return t.raisef(L, "", "%s: more than %d checks", what, maxChecks)
	}
	c.File, c.Line = t.where(L)
	p.Checks = append(p.Checks, c)
	t.run.bodies = append(t.run.bodies, checkBody{fn, when, retake})
	return 0
}

// atTop is the plan being declared.
func (t *task) atTop(L *lua.LState, what string) *Plan {
	if t.run.declaring == nil {
		t.raisef(L, "put it at the top level of the plan", "%s: inside a check", what)
	}
	return t.run.declaring
}
