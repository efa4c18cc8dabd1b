package main

import (
	"encoding/hex"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"fullthrow/reports/archive"
	"fullthrow/runner/input"
)

// keyCommand shows a station's key, and renews it.
func (a *app) keyCommand() *cobra.Command {
	var renew, lost bool
	c := &cobra.Command{
		Use: "key DIR", Short: "Show a station's key, or give the station a new one",
		Long: `Show a station's key, or give the station a new one.

The old key signs the new one, so that what either sealed stays proved; whoever
has a copy of the old key can seal nothing after that. Nobody may test meanwhile.
Where the old key is lost, --lost makes a new one all the same: that nobody handed
the station over stays to be seen at every verification.`,
		Args: takes("DIR"),
		RunE: func(_ *cobra.Command, args []string) error { return a.key(args[0], renew, lost) },
	}
	c.Flags().BoolVar(&renew, "renew", false, "give the station a new key, signed by the old one")
	c.Flags().BoolVar(&lost, "lost", false, "give it a new key though the old one is lost")
	return c
}

func (a *app) key(dir string, renew, lost bool) error {
	if _, err := os.Stat(dir); err != nil {
		return input.MissingFile("records", dir, err)
	}
	dir, ok := archive.Find(dir)
	if !ok {
		return input.Usage("%s holds no reports", dir).Hint("give the folder that --data of test, serve or demo named")
	}
	if renew || lost {
		h, err := archive.RenewKey(dir, "", lost)
		if err != nil {
			return (&input.Failure{Code: input.ExitInput, Err: err}).Hint(input.HintOf(err))
		}
		fmt.Fprintf(a.out, "from report number %d on the station seals with a new key\n", h.Number+1)
	}
	keys := archive.Keys(dir)
	for i, text := range keys {
		key, err := hex.DecodeString(text)
		if err != nil {
			return err
		}
		what := "earlier key"
		if i == len(keys)-1 {
			what = "station key"
		}
		fmt.Fprintf(a.out, "%s %s\n", what, archive.Fingerprint(key))
	}
	if len(keys) == 0 {
		return input.Usage("%s: the station's public key is missing", dir).Hint("put station.pub back from a copy")
	}
	return nil
}
