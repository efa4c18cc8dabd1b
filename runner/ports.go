package main

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"fullthrow/drivers/gpio"
	"fullthrow/drivers/i2c"
	"fullthrow/drivers/joystick"
	"fullthrow/drivers/serialport"
	"fullthrow/drivers/sound"
	"fullthrow/reports/wording"
	"fullthrow/runner/terminal"
)

// portsCommand lists what a bench file can name on this computer.
func (a *app) portsCommand() *cobra.Command {
	return &cobra.Command{
		Use: "ports", Short: "List what a bench file can name on this computer",
		Long: `List this computer's serial ports, GPIO lines, I2C buses, game controllers and
sound inputs, as a bench file names them. It opens no serial port, and changes nothing.`,
		Args: takes(),
		RunE: func(*cobra.Command, []string) error { return a.ports() },
	}
}

func (a *app) ports() error {
	for i, list := range []func(io.Writer) error{listSerial, listGPIO, listI2C, listControllers, listSound} {
		if i > 0 {
			fmt.Fprintln(a.out)
		}
		if err := list(a.out); err != nil {
			fmt.Fprintf(a.out, "  could not be listed in full: %s\n", strings.ReplaceAll(err.Error(), "\n", "; "))
		}
	}
	return nil
}

func listSerial(w io.Writer) error {
	fmt.Fprintln(w, "serial ports")
	ports, err := serialport.List()
	for _, p := range ports {
		name := p.Path
		if p.USB != (serialport.USB{}) {
			name = strings.TrimRight(strings.ToLower(fmt.Sprintf("usb:%s:%s", p.USB.Vendor, p.USB.Product))+":"+
				p.USB.Serial, ":")
		}
		portLine(w, name, terminal.NonEmpty(elsewhere(p.Path, name), p.About)...)
	}
	if len(ports) == 0 {
		fmt.Fprintln(w, "  none: no serial port is built in or plugged in")
	}
	return err
}

// portLine writes a port as it stands in a bench file, and what it is.
func portLine(w io.Writer, name string, about ...string) {
	fmt.Fprintln(w, strings.TrimRight(fmt.Sprintf("  port = %-34q %s", name, strings.Join(terminal.NonEmpty(about...),
		", ")), " "))
}

// elsewhere is the path, where the name is another.
func elsewhere(path, name string) string {
	if path == name {
		return ""
	}
	return path
}

func listGPIO(w io.Writer) error {
	fmt.Fprintln(w, "GPIO chips and their lines")
	chips, err := gpio.List()
	for _, c := range chips {
		portLine(w, "gpio:"+strings.TrimPrefix(c.Path, "/dev/"), c.Label, wording.Count(len(c.Lines), "line"))
		for _, l := range c.Lines {
			if l.Name == "" && !l.Used {
				continue // nothing to tell it by
			}
			state := ""
			if l.Used {
				state = "held by " + cmp.Or(l.Consumer, "the kernel")
			}
			fmt.Fprintf(w, "    line = %-4d %s\n", l.Number, strings.Join(terminal.NonEmpty(l.Name, state), ", "))
		}
	}
	if len(chips) == 0 {
		fmt.Fprintln(w, "  none: this kernel has no GPIO character device (/dev/gpiochip*)")
	}
	return err
}

func listI2C(w io.Writer) error {
	fmt.Fprintln(w, "I2C buses")
	names, err := i2c.List()
	for _, n := range names {
		portLine(w, "i2c:"+n.Number, n.About)
	}
	if len(names) == 0 {
		fmt.Fprintln(w, "  none: this kernel shows no I2C bus (/dev/i2c-*)")
	}
	return err
}

func listControllers(w io.Writer) error {
	fmt.Fprintln(w, "game controllers")
	list, err := joystick.List()
	for _, c := range list {
		portLine(w, strings.TrimRight(fmt.Sprintf("input:%04x:%04x:%s", c.Vendor, c.Product, c.Serial), ":"), c.Path, c.Name)
	}
	if len(list) == 0 {
		fmt.Fprintln(w, "  none: none is plugged in")
	}
	return err
}

func listSound(w io.Writer) error {
	fmt.Fprintln(w, "sound inputs")
	inputs, err := sound.List()
	for _, d := range inputs {
		portLine(w, "sound:"+d.Name, wording.Prefixed("card ", d.Card), d.About)
	}
	if len(inputs) == 0 {
		if _, err := os.Stat("/proc/asound"); err != nil {
			fmt.Fprintln(w, "  none: this kernel has no sound (/proc/asound is missing)")
		} else {
			fmt.Fprintln(w, "  none: no sound input is built in or plugged in")
		}
	}
	return err
}
