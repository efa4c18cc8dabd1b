// Package bench makes devices of a bench file: it reads and checks the file, has
// the table of drivers, and opens ports, devices and lines. It is the only one
// that imports concrete drivers.
package bench
