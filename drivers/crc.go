package drivers

import (
	"fmt"
	"math/bits"
	"slices"
)

// CRC is one cyclic redundancy check, by the parameters of the catalogue of
// parametrised CRC algorithms (G. Cook, reveng.sourceforge.io), under its name
// there.
type CRC struct {
	Name      string
	Width     int    // bits: 8, 16 or 32
	Poly      uint32 // without its highest term
	Init      uint32
	Reflected bool // refin and refout, which are alike in all of these
	XorOut    uint32
}

// crcs are the checks with their parameters. Those of 16 bits from ARC to
// CDMA2000 were read in a copy of the catalogue; all others are from memory. The
// catalogue's check value of each, with the same source, is computed in the tests:
// parameters and check value that are both wrong and fit each other are unlikely.
var crcs = []CRC{
	{"CRC-8/AUTOSAR", 8, 0x2F, 0xFF, false, 0xFF},
	{"CRC-8/BLUETOOTH", 8, 0xA7, 0x00, true, 0x00},
	{"CRC-8/CDMA2000", 8, 0x9B, 0xFF, false, 0x00},
	{"CRC-8/DARC", 8, 0x39, 0x00, true, 0x00},
	{"CRC-8/DVB-S2", 8, 0xD5, 0x00, false, 0x00},
	{"CRC-8/GSM-A", 8, 0x1D, 0x00, false, 0x00},
	{"CRC-8/GSM-B", 8, 0x49, 0x00, false, 0xFF},
	{"CRC-8/I-432-1", 8, 0x07, 0x00, false, 0x55},
	{"CRC-8/I-CODE", 8, 0x1D, 0xFD, false, 0x00},
	{"CRC-8/LTE", 8, 0x9B, 0x00, false, 0x00},
	{"CRC-8/MAXIM-DOW", 8, 0x31, 0x00, true, 0x00},
	{"CRC-8/MIFARE-MAD", 8, 0x1D, 0xC7, false, 0x00},
	{"CRC-8/NRSC-5", 8, 0x31, 0xFF, false, 0x00},
	{"CRC-8/OPENSAFETY", 8, 0x2F, 0x00, false, 0x00},
	{"CRC-8/ROHC", 8, 0x07, 0xFF, true, 0x00},
	{"CRC-8/SAE-J1850", 8, 0x1D, 0xFF, false, 0xFF},
	{"CRC-8/SMBUS", 8, 0x07, 0x00, false, 0x00},
	{"CRC-8/TECH-3250", 8, 0x1D, 0xFF, true, 0x00},
	{"CRC-8/WCDMA", 8, 0x9B, 0x00, true, 0x00},
	{"CRC-16/ARC", 16, 0x8005, 0x0000, true, 0x0000},
	{"CRC-16/CDMA2000", 16, 0xC867, 0xFFFF, false, 0x0000},
	{"CRC-16/CMS", 16, 0x8005, 0xFFFF, false, 0x0000},
	{"CRC-16/DDS-110", 16, 0x8005, 0x800D, false, 0x0000},
	{"CRC-16/DECT-R", 16, 0x0589, 0x0000, false, 0x0001},
	{"CRC-16/DECT-X", 16, 0x0589, 0x0000, false, 0x0000},
	{"CRC-16/DNP", 16, 0x3D65, 0x0000, true, 0xFFFF},
	{"CRC-16/EN-13757", 16, 0x3D65, 0x0000, false, 0xFFFF},
	{"CRC-16/GENIBUS", 16, 0x1021, 0xFFFF, false, 0xFFFF},
	{"CRC-16/GSM", 16, 0x1021, 0x0000, false, 0xFFFF},
	{"CRC-16/IBM-3740", 16, 0x1021, 0xFFFF, false, 0x0000},
	{"CRC-16/IBM-SDLC", 16, 0x1021, 0xFFFF, true, 0xFFFF},
	{"CRC-16/KERMIT", 16, 0x1021, 0x0000, true, 0x0000},
	{"CRC-16/MAXIM-DOW", 16, 0x8005, 0x0000, true, 0xFFFF},
	{"CRC-16/MCRF4XX", 16, 0x1021, 0xFFFF, true, 0x0000},
	{"CRC-16/MODBUS", 16, 0x8005, 0xFFFF, true, 0x0000},
	{"CRC-16/PROFIBUS", 16, 0x1DCF, 0xFFFF, false, 0xFFFF},
	{"CRC-16/SPI-FUJITSU", 16, 0x1021, 0x1D0F, false, 0x0000},
	{"CRC-16/T10-DIF", 16, 0x8BB7, 0x0000, false, 0x0000},
	{"CRC-16/UMTS", 16, 0x8005, 0x0000, false, 0x0000},
	{"CRC-16/USB", 16, 0x8005, 0xFFFF, true, 0xFFFF},
	{"CRC-16/XMODEM", 16, 0x1021, 0x0000, false, 0x0000},
	{"CRC-32/AIXM", 32, 0x814141AB, 0x00000000, false, 0x00000000},
	{"CRC-32/AUTOSAR", 32, 0xF4ACFB13, 0xFFFFFFFF, true, 0xFFFFFFFF},
	{"CRC-32/BZIP2", 32, 0x04C11DB7, 0xFFFFFFFF, false, 0xFFFFFFFF},
	{"CRC-32/CKSUM", 32, 0x04C11DB7, 0x00000000, false, 0xFFFFFFFF},
	{"CRC-32/ISCSI", 32, 0x1EDC6F41, 0xFFFFFFFF, true, 0xFFFFFFFF},
	{"CRC-32/ISO-HDLC", 32, 0x04C11DB7, 0xFFFFFFFF, true, 0xFFFFFFFF},
	{"CRC-32/JAMCRC", 32, 0x04C11DB7, 0xFFFFFFFF, true, 0x00000000},
	{"CRC-32/MPEG-2", 32, 0x04C11DB7, 0xFFFFFFFF, false, 0x00000000},
	{"CRC-32/XFER", 32, 0x000000AF, 0x00000000, false, 0x00000000},
}

// crcAlias are other names the catalogue has for some of them.
var crcAlias = map[string]string{"CRC-32C": "CRC-32/ISCSI", "CRC-32": "CRC-32/ISO-HDLC"}

// CRCNames lists the names [CRCNamed] knows, short ones as CRC-32C not among them.
func CRCNames() []string {
	var list []string
	for _, c := range crcs {
		list = append(list, c.Name)
	}
	return list
}

// CRCNamed finds a check by its name.
func CRCNamed(name string) (CRC, error) {
	if full, ok := crcAlias[name]; ok {
		name = full
	}
	if i := slices.IndexFunc(crcs, func(c CRC) bool { return c.Name == name }); i >= 0 {
		return crcs[i], nil
	}
	return CRC{}, fmt.Errorf("no check sum is named %q", name)
}

// Sum is the check sum of data. It goes bit by bit: messages are short.
func (c CRC) Sum(data []byte) uint32 {
	shift := 32 - c.Width
	reg := c.Init << shift // aligned to the left, so that its highest bit is that of 32
	for _, b := range data {
		if c.Reflected {
			b = bits.Reverse8(b)
		}
		reg ^= uint32(b) << 24
		for range 8 {
			carry := reg>>31 != 0
			if reg <<= 1; carry {
				reg ^= c.Poly << shift
			}
		}
	}
	reg >>= shift
	if c.Reflected {
		reg = bits.Reverse32(reg) >> shift
	}
	return reg ^ c.XorOut
}
