// Package i2c drives parts on an I2C bus that small fixtures are built from:
// converters as [drivers.Indicator] and [drivers.Meter], port expanders as
// [drivers.Lines], PWM drivers with servos as [drivers.Mover], DACs as
// [drivers.AnalogueOutput], colour sensors as [drivers.ColourSensor]. Parts differ by a row of a table ([Models]): registers,
// bits and times from their data sheets.
//
// A part speaks over periph's i2c.Bus, so any adapter that periph knows will do.
// [OpenBus] opens those of a Linux computer (/dev/i2c-N), also such as know SMBus
// transactions only. It is a layer of our own under periph's interface because
// periph's sysfs bus keeps the kernel's reason for a failure to itself (a part
// that does not answer, a bus held low and an adapter that was unplugged look
// alike) and knows no SMBus.
//
// I2C has no check sum. What a part was told is read back; values are checked
// against what the part can give at the range chosen; a register with known bits
// must show them. All ones on each register is what a bus without the part gives.
//
// Sources: the parts' data sheets, named beside each row; the I2C-bus
// specification and user manual UM10204; the kernel's Documentation/i2c.
//
// Tried: against parts faked by their data sheets, and in an emulated computer
// with Linux and its i2c-stub (.ci/kernel). Not tried: a real part.
package i2c
