package drivers

import (
	"hash/crc32"
	"math/rand/v2"
	"testing"
)

// The catalogue's check values: the sum of the nine characters "123456789"
// (catalogue of parametrised CRC algorithms, G. Cook). Those of CRC-16/ARC and
// CDMA2000 were read in a copy of it; the others are from memory.
func TestCRCCatalogue(t *testing.T) {
	want := map[string]uint32{
		"CRC-8/AUTOSAR": 0xDF, "CRC-8/BLUETOOTH": 0x26, "CRC-8/CDMA2000": 0xDA, "CRC-8/DARC": 0x15,
		"CRC-8/DVB-S2": 0xBC, "CRC-8/GSM-A": 0x37, "CRC-8/GSM-B": 0x94, "CRC-8/I-432-1": 0xA1, "CRC-8/I-CODE": 0x7E,
		"CRC-8/LTE": 0xEA, "CRC-8/MAXIM-DOW": 0xA1, "CRC-8/MIFARE-MAD": 0x99, "CRC-8/NRSC-5": 0xF7,
		"CRC-8/OPENSAFETY": 0x3E, "CRC-8/ROHC": 0xD0, "CRC-8/SAE-J1850": 0x4B, "CRC-8/SMBUS": 0xF4,
		"CRC-8/TECH-3250": 0x97, "CRC-8/WCDMA": 0x25,
		"CRC-16/ARC": 0xBB3D, "CRC-16/CDMA2000": 0x4C06, "CRC-16/CMS": 0xAEE7, "CRC-16/DDS-110": 0x9ECF,
		"CRC-16/DECT-R": 0x007E, "CRC-16/DECT-X": 0x007F, "CRC-16/DNP": 0xEA82, "CRC-16/EN-13757": 0xC2B7,
		"CRC-16/GENIBUS": 0xD64E, "CRC-16/GSM": 0xCE3C, "CRC-16/IBM-3740": 0x29B1, "CRC-16/IBM-SDLC": 0x906E,
		"CRC-16/KERMIT": 0x2189, "CRC-16/MAXIM-DOW": 0x44C2, "CRC-16/MCRF4XX": 0x6F91, "CRC-16/MODBUS": 0x4B37,
		"CRC-16/PROFIBUS": 0xA819, "CRC-16/SPI-FUJITSU": 0xE5CC, "CRC-16/T10-DIF": 0xD0DB, "CRC-16/UMTS": 0xFEE8,
		"CRC-16/USB": 0xB4C8, "CRC-16/XMODEM": 0x31C3,
		"CRC-32/AIXM": 0x3010BF7F, "CRC-32/AUTOSAR": 0x1697D06A, "CRC-32/BZIP2": 0xFC891918,
		"CRC-32/CKSUM": 0x765E7680, "CRC-32/ISCSI": 0xE3069283, "CRC-32/ISO-HDLC": 0xCBF43926,
		"CRC-32/JAMCRC": 0x340BC6D9, "CRC-32/MPEG-2": 0x0376E6E7, "CRC-32/XFER": 0xBD0BE338,
		"CRC-32C": 0xE3069283, "CRC-32": 0xCBF43926,
	}
	for _, name := range CRCNames() {
		if _, ok := want[name]; !ok {
			t.Errorf("%s has no check value here", name)
		}
	}
	for name, sum := range want {
		c, err := CRCNamed(name)
		if err != nil {
			t.Errorf("%s: %v", name, err)
		} else if got := c.Sum([]byte("123456789")); got != sum {
			t.Errorf("%s: got %X, want %X", name, got, sum)
		}
	}
	if _, err := CRCNamed("CRC-16"); err == nil {
		t.Error("CRC-16 alone names too many: it must name none")
	}
}

// The standard library's own CRC-32, on data of every length up to 300.
func TestCRCAgainstLibrary(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	c, _ := CRCNamed("CRC-32C")
	z, _ := CRCNamed("CRC-32")
	for n := range 300 {
		data := make([]byte, n)
		for i := range data {
			data[i] = byte(rng.Uint32())
		}
		if got, want := c.Sum(data), crc32.Checksum(data, crc32.MakeTable(crc32.Castagnoli)); got != want {
			t.Fatalf("CRC-32C of %d bytes: %X, want %X", n, got, want)
		}
		if got, want := z.Sum(data), crc32.ChecksumIEEE(data); got != want {
			t.Fatalf("CRC-32 of %d bytes: %X, want %X", n, got, want)
		}
	}
}
