module fullthrow

go 1.26.0

require (
	github.com/agnivade/levenshtein v1.2.2
	github.com/creack/pty v1.1.24
	github.com/google/jsonschema-go v0.4.3
	github.com/pelletier/go-toml/v2 v2.4.3
	github.com/rogpeppe/go-internal v1.16.0
	github.com/simonvetter/modbus v1.6.4
	github.com/spf13/cobra v1.10.2
	github.com/spf13/pflag v1.0.9
	github.com/stretchr/testify v1.12.1
	github.com/yuin/gopher-lua v1.1.2
	go.bug.st/serial v1.8.0
	golang.org/x/sys v0.50.0
	golang.org/x/term v0.48.0
	gonum.org/v1/gonum v0.17.0
	periph.io/x/conn/v3 v3.7.3
	periph.io/x/host/v3 v3.8.5
)

require (
	github.com/goburrow/serial v0.1.0 // indirect
	github.com/inconshreveable/mousetrap v1.1.0 // indirect
	go.yaml.in/yaml/v3 v3.0.5 // indirect
	golang.org/x/tools v0.30.0 // indirect
)
