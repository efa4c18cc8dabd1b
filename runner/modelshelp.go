package main

import (
	"io"

	"fullthrow/runner/bench"
)

// modelsTopic is what help explains beside the commands.
const modelsTopic = "models"

const modelsHelp = `# Models: what differs between instruments and boards of different makers.
#
# A bench file names one: model = "generic-supply". Those below are built in. Another
# is a row of yours in a file ` + bench.ModelsName + ` beside the bench file, with the same keys:
#
#     [[scpi]]
#     name = "desk-supply"
#     based_on = "generic-supply"   # what the row does not say is that one's
#     max_voltage = 32
#     compound = "single"
#
# The plant's own stand in a folder, any *.toml in it: models = "DIR" at the top of
# the bench file. A row beside the bench file wins over one of that name in the
# folder; the built-in ones cannot be replaced. fullthrow lint checks them.
#
# What a row can say:
#
`

// helpModels writes the keys of models, as comments, and the rows that are built in:
// the whole is a file of models, but for their names.
func (a *app) helpModels() error {
	if _, err := io.WriteString(a.out, modelsHelp); err != nil {
		return err
	}
	w := &commented{w: a.out}
	bench.WriteModelKeys(w)
	io.WriteString(a.out, "\n")
	bench.WriteModels(a.out)
	return nil
}

// commented puts "# " before each line.
type commented struct {
	w      io.Writer
	inside bool
}

func (c *commented) Write(p []byte) (int, error) {
	var out []byte
	for _, b := range p {
		if !c.inside {
			out = append(out, '#')
			if b != '\n' {
				out = append(out, ' ')
			}
		}
		out = append(out, b)
		c.inside = b != '\n'
	}
	_, err := c.w.Write(out)
	return len(p), err
}
