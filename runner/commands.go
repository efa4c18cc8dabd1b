package main

import (
	"github.com/spf13/cobra"

	"fullthrow/runner/guardian"
)

// commands makes the command that args begin with. Where they begin with none,
// it makes all of them, in the order in which help shows them: what is not asked
// for costs a command no time at its start.
func (a *app) commands(args []string) []*cobra.Command {
	all := []struct {
		name string
		make func() *cobra.Command
	}{
		{"demo", a.demoCommand},
		{"serve", a.serveCommand},
		{"test", a.testCommand},
		{"lint", a.lintCommand},
		{"rehearse", a.rehearseCommand},
		{"measure", a.measureCommand},
		{"ports", a.portsCommand},
		{"simulate", a.simulateCommand},
		{"today", a.todayCommand},
		{"fails", a.failsCommand},
		{"hold", a.holdCommand},
		{"drift", a.driftCommand},
		{"differs", a.differsCommand},
		{"unit", a.unitCommand},
		{"export", a.exportCommand},
		{"forward", a.forwardCommand},
		{"reindex", a.reindexCommand},
		{"verify", a.verifyCommand},
		{"key", a.keyCommand},
		{"report", a.reportCommand},
		{"schema", a.schemaCommand},
		{"selfcheck", a.selfcheckCommand},
		{"version", a.versionCommand},
		{guardian.Command, a.guardianCommand},
	}
	var list []*cobra.Command
	for _, c := range all {
		if len(args) > 0 && args[0] == c.name {
			return []*cobra.Command{c.make()}
		}
	}
	for _, c := range all {
		list = append(list, c.make())
	}
	return list
}
