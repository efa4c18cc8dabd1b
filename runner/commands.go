package main

import "github.com/spf13/cobra"

// commands lists every command, in the order in which help shows them.
func (a *app) commands() []*cobra.Command {
	return []*cobra.Command{
		a.demoCommand(), a.serveCommand(), a.testCommand(), a.lintCommand(), a.rehearseCommand(), a.measureCommand(), a.portsCommand(), a.simulateCommand(),
		a.todayCommand(), a.failsCommand(), a.driftCommand(), a.holdCommand(), a.differsCommand(), a.unitCommand(), a.exportCommand(),
		a.forwardCommand(), a.reindexCommand(),
		a.verifyCommand(), a.reportCommand(), a.selfcheckCommand(), a.versionCommand(),
	}
}
