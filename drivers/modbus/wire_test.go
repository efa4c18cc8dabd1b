package modbus

import "testing"

// A reply that is not to be believed gives no bits, whatever is wrong with it.
func TestParseBitsRefuses(t *testing.T) {
	request := request(1, readCoils, 0x13, 0x13)
	whole := Message(1, readCoils, 3, 0xCD, 0x6B, 5)
	if levels, err := ParseBits(request, whole, 19); err != nil || len(levels) != 19 || !levels[0] || levels[1] {
		t.Errorf("got %v, %v", levels, err)
	}
	damaged := append([]byte(nil), whole...)
	damaged[3] ^= 1
	for name, c := range map[string]struct {
		request, reply []byte
		n              int
	}{
		"no request":      {nil, whole, 19},
		"no reply":        {request, nil, 19},
		"damaged":         {request, damaged, 19},
		"another address": {request, Message(2, readCoils, 3, 0xCD, 0x6B, 5), 19},
		"an exception":    {request, Message(1, readCoils|exceptionBit, 2), 19},
		"too few bytes":   {request, whole, 25},
	} {
		if levels, err := ParseBits(c.request, c.reply, c.n); err == nil || levels != nil {
			t.Errorf("%s: got %v, %v, want an error", name, levels, err)
		}
	}
}
