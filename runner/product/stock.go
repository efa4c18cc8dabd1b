package product

import (
	"fullthrow/reports/wording"
	"fullthrow/runner/input"
	"fullthrow/scripts"
)

// Title is a product's name for people, "" where it is not known here.
func Title(name string) string {
	if home, err := StockFolder(name); err == nil {
		if p, err := home.Product(); err == nil {
			return p.Title
		}
	}
	return ""
}

// Texts are a product's own sentences in a language, none where they are
// not known here.
func Texts(name, lang string) wording.Texts {
	home, err := StockFolder(name)
	if err != nil {
		return nil
	}
	texts, err := home.Texts()
	if err != nil {
		return nil // a stock product's are tested
	}
	return texts[lang]
}

// Texts are the translations of a product's own sentences, by language, as far
// as there are any.
func (home Folder) Texts() (map[string]wording.Texts, error) {
	texts := map[string]wording.Texts{}
	for _, lang := range wording.Languages() {
		name := wording.TextsFile(lang.Tag)
		if !home.Has(name) {
			continue
		}
		data, err := home.Read(name)
		if err != nil {
			return nil, err
		}
		if texts[lang.Tag], err = wording.ParseTexts(home.Path(name), data); err != nil {
			return nil, input.Usage("%w", err)
		}
	}
	return texts, nil
}

// Serials lists the serial numbers that a typed or scanned text may hold
// by the formats of the products known here.
func Serials(text string) (list []string) {
	for _, name := range scripts.Products() {
		home, err := StockFolder(name)
		if err != nil {
			continue
		}
		if p, err := home.Product(); err == nil {
			if serial, _, err := p.Format().ParseScan(text); err == nil {
				list = append(list, serial)
			}
		}
	}
	return list
}
