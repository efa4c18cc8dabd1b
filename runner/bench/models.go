package bench

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"fullthrow/drivers/modbus"
	"fullthrow/drivers/motion"
	"fullthrow/drivers/scpi"
	"fullthrow/runner/input"
)

// ModelFile is a file with rows for the tables of models: what differs between
// makers, and is the user's to say.
type ModelFile struct {
	Name string `json:"name"`
	Data []byte `json:"data"`
}

// ModelsName is the file of models beside a bench file.
const ModelsName = "models.toml"

// models are the tables of models: those built in, and then the rows of files.
type models struct {
	scpi   input.Rows[scpi.Model]
	modbus input.Rows[modbus.Model]
	motion input.Rows[motion.Model]
}

// builtIn are the tables without any file.
func builtIn() *models {
	m := &models{
		scpi:   input.Rows[scpi.Model]{Table: "scpi", All: scpi.Models()},
		modbus: input.Rows[modbus.Model]{Table: "modbus", All: modbus.Models()},
		motion: input.Rows[motion.Model]{Table: "motion", All: motion.Models()},
	}
	m.scpi.Check = func(row scpi.Model) (list []input.RowFault) {
		for _, f := range row.Faults() {
			list = append(list, input.RowFault(f))
		}
		return list
	}
	m.modbus.Check = func(row modbus.Model) (list []input.RowFault) {
		for _, f := range row.Faults() {
			list = append(list, input.RowFault(f))
		}
		return list
	}
	m.motion.Check = func(row motion.Model) (list []input.RowFault) {
		for _, f := range row.Faults() {
			list = append(list, input.RowFault(f))
		}
		return list
	}
	return m
}

func (m *models) tables() []input.RowTable { return []input.RowTable{&m.scpi, &m.modbus, &m.motion} }

// read adds the rows of files, in their order.
func (m *models) read(files []ModelFile) (problems []input.Problem) {
	for _, f := range files {
		problems = append(problems, input.ReadRows(f.Name, f.Data, m.tables()...)...)
	}
	return problems
}

// WriteModels writes every row that is built in, as a file of models has them.
func WriteModels(w io.Writer) {
	for _, t := range builtIn().tables() {
		input.WriteRows(w, t)
	}
}

// WriteModelKeys writes what a row can say, for people.
func WriteModelKeys(w io.Writer) {
	for i, t := range builtIn().tables() {
		if i > 0 {
			io.WriteString(w, "\n")
		}
		input.WriteKeys(w, t)
	}
}

// mostModelFiles is how many files of models a folder can have.
const mostModelFiles = 200

// modelFiles reads the files of models that a bench file at path has: those of its
// folder of models (key models; none where it is empty), by name, and then the one
// beside it, whose rows so take the place of the folder's.
func modelFiles(path, folder string, read func(string) ([]byte, error)) ([]ModelFile, error) {
	var names []string
	if folder != "" {
		if !filepath.IsAbs(folder) {
			folder = filepath.Join(filepath.Dir(path), folder)
		}
		entries, err := os.ReadDir(folder)
		if err != nil {
			return nil, err
		}
		for _, e := range entries {
			if !e.IsDir() && strings.HasSuffix(e.Name(), ".toml") {
				names = append(names, filepath.Join(folder, e.Name()))
			}
		}
		if len(names) > mostModelFiles {
			return nil, errors.New("it has more than 200 files")
		}
		slices.Sort(names)
	}
	beside := filepath.Join(filepath.Dir(path), ModelsName)
	var files []ModelFile
	for _, name := range append(slices.DeleteFunc(names, func(n string) bool { return n == beside }), beside) {
		data, err := read(name)
		switch {
		case name == beside && errors.Is(err, fs.ErrNotExist):
			continue
		case err != nil:
			return nil, err
		}
		files = append(files, ModelFile{name, data})
	}
	return files, nil
}
