package main

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"fullthrow/reports/serial"
	"fullthrow/scripts"
)

// productFile is product.toml: what a product is called and how its serial
// numbers are made.
type productFile struct {
	Product  string       `toml:"product"`
	Title    string       `toml:"title"`
	Revision string       `toml:"revision"`
	Golden   []string     `toml:"golden"` // serial numbers of the golden units
	Serial   serialNumber `toml:"serial_number"`
}

type serialNumber struct {
	Pattern string `toml:"pattern"` // regular expression of what stands before the check character
	Check   string `toml:"check"`
	Example string `toml:"example"`
	GTIN    string `toml:"gtin"` // item number in a GS1 code that carries the serial number
}

// folder is where a product's files are: a directory, or the stock folder that
// is built into the program.
type folder struct {
	fs   fs.FS
	name string // for messages: the directory, or "stock:kittiwake-k8"
}

// stock is the prefix of a folder that is built in.
const stock = "stock:"

func dirFolder(dir string) folder { return folder{os.DirFS(dir), filepath.Clean(dir)} }

// stockFolder returns the built-in folder of a product.
func stockFolder(product string) (folder, error) {
	f, ok := scripts.Product(product)
	if !ok {
		return folder{}, usage("there is no stock plan for product %q", product).hint(meant(product, scripts.Products())).
			hint("give the plan with --plan FILE")
	}
	return folder{f, stock + product}, nil
}

// path is a file of the folder as messages name it.
func (f folder) path(name string) string {
	if strings.HasPrefix(f.name, stock) {
		return f.name + "/" + name
	}
	return filepath.Join(f.name, name)
}

func (f folder) has(name string) bool {
	_, err := fs.Stat(f.fs, name)
	return err == nil
}

func (f folder) read(name string) ([]byte, error) {
	data, err := fs.ReadFile(f.fs, name)
	if err != nil {
		return nil, missingFile("", f.path(name), err)
	}
	return data, nil
}

// product reads the folder's product.toml.
func (f folder) product() (*productFile, error) {
	data, err := f.read("product.toml")
	if err != nil {
		return nil, err
	}
	return parseProduct(f.path("product.toml"), data)
}

// parseProduct reads product.toml.
func parseProduct(name string, data []byte) (*productFile, error) {
	p := &productFile{}
	at, problems := decodeStrict(name, data, p)
	if len(problems) == 0 {
		for _, k := range []struct{ key, value string }{{"product", p.Product}, {"title", p.Title}} {
			if k.value == "" {
				problems = append(problems, problem{name, 1, fmt.Sprintf("%s is missing", k.key), ""})
			}
		}
		if p.Serial.Pattern == "" {
			problems = append(problems, problem{name, max(1, at.at("serial_number")), "serial_number.pattern is missing", `like "K8[0-9]{2}[A-Z][0-9]{5}"`})
		}
	}
	if len(problems) == 0 {
		if err := p.format().Check(); err != nil {
			problems = append(problems, problem{name, max(1, at.at("serial_number")), err.Error(), hintOf(err)})
		}
	}
	if len(problems) > 0 {
		return nil, &inputError{problems}
	}
	return p, nil
}

// format is how serial numbers of the product are read.
func (p *productFile) format() serial.Format {
	return serial.Format{Product: p.Title, Pattern: p.Serial.Pattern, CheckCharacter: p.Serial.Check, GTIN: p.Serial.GTIN, Example: p.Serial.Example}
}
