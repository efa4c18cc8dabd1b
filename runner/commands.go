package main

import "github.com/spf13/cobra"

// commands lists every command, in the order in which help shows them.
func (a *app) commands() []*cobra.Command {
	return []*cobra.Command{
		a.demoCommand(), a.serveCommand(), a.testCommand(), a.lintCommand(), a.rehearseCommand(), a.measureCommand(), a.portsCommand(), a.simulateCommand(),
		a.yieldCommand(), a.paretoCommand(), a.capabilityCommand(), a.chartCommand(), a.compareCommand(), a.historyCommand(), a.exportCommand(),
		a.forwardCommand(), a.reindexCommand(),
		a.verifyCommand(), a.reportCommand(), a.selfcheckCommand(), a.versionCommand(),
	}
}
