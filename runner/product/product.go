package product

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strings"

	"fullthrow/reports/serial"
	"fullthrow/runner/input"
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

// Folder is where a product's files are: a directory, or the stock folder that
// is built into the program.
type Folder struct {
	Files fs.FS
	Name  string // for messages: the directory, or "stock:kittiwake-k8"
}

// stock is the prefix of a folder that is built in.
const stock = "stock:"

func Dir(dir string) Folder { return Folder{os.DirFS(dir), filepath.Clean(dir)} }

// StockFolder returns the built-in folder of a product.
func StockFolder(product string) (Folder, error) {
	f, ok := scripts.Product(product)
	if !ok {
		return Folder{}, input.Usage("there is no stock plan for product %q", product).Hint(input.Meant(product,
			scripts.Products())).
			Hint("give the plan with --plan FILE")
	}
	return Folder{f, stock + product}, nil
}

// Path is a file of the folder as messages name it.
func (f Folder) Path(name string) string {
	if strings.HasPrefix(f.Name, stock) {
		return f.Name + "/" + name
	}
	return filepath.Join(f.Name, name)
}

func (f Folder) Has(name string) bool {
	_, err := fs.Stat(f.Files, name)
	return err == nil
}

// maxFile is how large a file of a product may be: a drawing is the largest.
const maxFile = 8 << 20

func (f Folder) Read(name string) ([]byte, error) {
	data, err := input.ReadFS(f.Files, name, maxFile)
	if err != nil {
		return nil, input.MissingFile("", f.Path(name), err)
	}
	if strings.HasSuffix(name, ".toml") {
		if p := input.Unreasonable(f.Path(name), data); p != nil {
			return nil, input.Wrong([]input.Problem{*p})
		}
	}
	return data, nil
}

// Type is the type of product.toml, for schemas.
func Type() reflect.Type { return reflect.TypeFor[productFile]() }

// Product reads the folder's product.toml.
func (f Folder) Product() (*productFile, error) {
	data, err := f.Read("product.toml")
	if err != nil {
		return nil, err
	}
	return parseProduct(f.Path("product.toml"), data)
}

// parseProduct reads product.toml.
func parseProduct(name string, data []byte) (*productFile, error) {
	p := &productFile{}
	at, problems := input.DecodeTOML(name, data, p)
	if len(problems) == 0 {
		for _, k := range []struct{ key, value string }{{"product", p.Product}, {"title", p.Title}} {
			if k.value == "" {
				problems = append(problems, input.At(name, 1, fmt.Sprintf("%s is missing", k.key), ""))
			}
		}
		if p.Serial.Pattern == "" {
			problems = append(problems, input.At(name, max(1, at.At("serial_number")), "serial_number.pattern is "+
				"missing", `like "K8[0-9]{2}[A-Z][0-9]{5}"`))
		}
	}
	if len(problems) == 0 {
		if err := p.Format().Check(); err != nil {
			problems = append(problems, input.At(name, max(1, at.At("serial_number")), err.Error(), input.HintOf(err)))
		}
	}
	if len(problems) > 0 {
		return nil, input.Wrong(problems)
	}
	return p, nil
}

// Format is how serial numbers of the product are read.
func (p *productFile) Format() serial.Format {
	return serial.Format{Product: p.Title, Pattern: p.Serial.Pattern, CheckCharacter: p.Serial.Check,
		GTIN: p.Serial.GTIN, Example: p.Serial.Example}
}
