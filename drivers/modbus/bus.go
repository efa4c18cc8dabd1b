package modbus

import (
	"bytes"
	"context"
	"encoding/binary"
	"time"

	"fullthrow/drivers"
)

// Bus is a port that several devices share, each with its own address: one
// conversation at a time, with the silence between messages that the standard
// asks for. It is a Port itself, so that it can be handed on as one.
type Bus struct {
	drivers.Port
	clock drivers.Clock
	guard drivers.Guard
	gap   time.Duration
	last  time.Time // end of the last conversation
	// unheard is the address of a question that nobody has answered and that was the
	// last one on a serial line; 0: none. Boards made with a widespread library wait
	// for the reply of the board that was asked, and take our next message for it.
	unheard byte
	// tcp: messages have the header of Modbus TCP and no CRC.
	tcp         bool
	transaction uint16 // of the last message
}

// NewTCPBus makes a bus of a connection that speaks Modbus TCP: each message has
// the MBAP header in place of the CRC, and nothing need be quiet between two
// (MODBUS Messaging on TCP/IP V1.0b, 3.1.3). Messages of serial lines in a socket
// are for [NewBus].
func NewTCPBus(port drivers.Port, clock drivers.Clock) *Bus {
	return &Bus{Port: port, clock: clock, guard: drivers.NewGuard(clock), tcp: true}
}

// Checked: every message has a check sum, its own or TCP's.
func (b *Bus) Checked() bool { return true }

// NewBus makes a bus of a port running at baud (0: 19200). Messages are kept 3.5
// characters of 11 bits apart, 1.75 ms from 19200 baud up (MODBUS over Serial
// Line V1.02, 2.5.1.1).
func NewBus(port drivers.Port, clock drivers.Clock, baud int) *Bus {
	gap := 1750 * time.Microsecond
	if baud > 0 && baud < 19200 {
		gap = time.Duration(3.5 * 11 / float64(baud) * float64(time.Second))
	}
	return &Bus{Port: port, clock: clock, guard: drivers.NewGuard(clock), gap: gap}
}

// converse sends address and question, and returns the data of the reply. Where a
// question to another board was not answered before, it asks a second time after a
// quarter of timeout (see Bus.unheard): to ask, or to write an output, twice does no
// more than once.
func (b *Bus) converse(ctx context.Context, device, op string, address byte, question []byte,
	timeout time.Duration) ([]byte, error) {
	if err := b.guard.Enter(ctx); err != nil {
		return nil, drivers.Wrap(device, op, drivers.Ended(ctx, err))
	}
	defer b.guard.Leave()
	sent, err := b.put(ctx, address, question)
	var quiet time.Duration
	defer func() { b.last = b.clock.Now().Add(quiet) }()
	if err != nil {
		return nil, drivers.Wrap(device, op, drivers.Ended(ctx, err))
	}
	read, check := b.readReply, checkReply
	if b.tcp {
		read, check = b.readTCP, checkBody
		sent = sent[mbapLength-1:]
	}
	var got []byte
	if b.unheard != 0 && b.unheard != address {
		first := timeout / 4
		got, err = read(ctx, device, op, sent, first)
		if drivers.KindOf(err) == drivers.NoReply {
			if _, err = b.put(ctx, address, question); err != nil {
				return nil, drivers.Wrap(device, op, drivers.Ended(ctx, err))
			}
			got, err = read(ctx, device, op, sent, timeout-first)
			if question[0] <= readInputRegisters {
				// A slow board replies twice: the other reply is not to be taken for that to
				// the next question. (A write's says what was written.)
				quiet = first
			}
		}
	} else {
		got, err = read(ctx, device, op, sent, timeout)
	}
	b.unheard = 0
	if err != nil {
		if !b.tcp && drivers.KindOf(err) == drivers.NoReply {
			b.unheard = address
		}
		return nil, err
	}
	data, bad := check(sent, got)
	if bad != nil {
		e := drivers.Errorf(device, op, bad.kind, "%w", bad)
		if bad.kind == drivers.Garbled && !b.tcp {
			return nil, e.WithHint("Check baud rate, parity and the polarity of the two wires; two devices with one " +
				"address garble each other.")
		}
		return nil, e
	}
	return data, nil
}

// put sends a message and waits for nothing.
func (b *Bus) put(ctx context.Context, address byte, question []byte) (sent []byte, err error) {
	if err := b.clock.Sleep(ctx, b.last.Add(b.gap).Sub(b.clock.Now())); err != nil {
		return nil, err
	}
	if err := b.Discard(); err != nil { // a late reply to an earlier request
		return nil, err
	}
	if b.tcp {
		b.transaction++
		sent = binary.BigEndian.AppendUint16(nil, b.transaction)
		sent = binary.BigEndian.AppendUint16(append(sent, 0, 0), uint16(1+len(question)))
		sent = append(append(sent, address), question...)
	} else {
		sent = message(address, question[0], question[1:]...)
	}
	return sent, b.Write(ctx, sent)
}

// only sends messages to one board whose replies nobody waits for, one after another
// with nothing between.
func (b *Bus) only(ctx context.Context, address byte, questions ...[]byte) error {
	if err := b.guard.Enter(ctx); err != nil {
		return drivers.Ended(ctx, err)
	}
	defer b.guard.Leave()
	for _, q := range questions {
		_, err := b.put(ctx, address, q)
		if b.last = b.clock.Now(); err != nil {
			return drivers.Ended(ctx, err)
		}
		if !b.tcp {
			b.unheard = address
		}
	}
	return nil
}

// mbapLength is the header of Modbus TCP: transaction, protocol 0, number of bytes
// that follow, address.
const mbapLength = 7

// noReply is the error of nothing at all, or of part of a reply, within a time-out.
func noReply(device, op string, got []byte, timeout time.Duration) error {
	if len(got) > 0 {
		return drivers.Errorf(device, op, drivers.Garbled, "only part of a reply in %v: got %d bytes: % X", timeout,
			len(got), got)
	}
	return drivers.Errorf(device, op, drivers.NoReply, "no reply in %v", timeout).
		WithHint("Is the board powered, its address right, and the baud rate the one set on it?")
}

// readTCP reads the reply to the last message: address, function code and data.
// Replies to earlier ones are passed over.
func (b *Bus) readTCP(ctx context.Context, device, op string, _ []byte, timeout time.Duration) ([]byte, error) {
	var got []byte
	buf := make([]byte, 512)
	passed := 0
	for end := b.clock.Now().Add(timeout); ; {
		for len(got) >= mbapLength {
			long := int(binary.BigEndian.Uint16(got[4:]))
			if got[2] != 0 || got[3] != 0 || long < 3 || long > 254 {
				return nil, drivers.Errorf(device, op, drivers.Garbled, "no header of Modbus TCP: got %d bytes: % X",
					len(got), got[:min(len(got), 40)]).
					WithHint(`Where a converter puts messages of a serial line into a socket, write format = "rtu_over_tcp".`)
			}
			if len(got) < mbapLength-1+long {
				break
			}
			body := got[mbapLength-1 : mbapLength-1+long]
			if binary.BigEndian.Uint16(got) == b.transaction {
				if more := len(got) - (mbapLength - 1 + long); more > 0 {
					return nil, drivers.Errorf(device, op, drivers.Garbled, "%d bytes more than a reply: % X", more,
						got[:min(len(got), 40)])
				}
				return body, nil
			}
			if passed++; passed > 100 {
				return nil, drivers.Errorf(device, op, drivers.Garbled, "it does not stop sending replies to other requests")
			}
			got = got[mbapLength-1+long:]
		}
		n, err := b.Read(ctx, buf, end.Sub(b.clock.Now()))
		if err = drivers.Ended(ctx, err); err != nil {
			if drivers.KindOf(err) != drivers.NoReply {
				return nil, drivers.Wrap(device, op, err)
			}
			if len(got) == 0 && passed > 0 {
				return nil, drivers.Errorf(device, op, drivers.Garbled, "%d replies in %v, none to this request", passed,
					timeout)
			}
			return nil, noReply(device, op, got, timeout)
		}
		got = append(got, buf[:n]...)
	}
}

// readReply collects bytes until the reply is whole. A function code that fits
// no reply ends it at once: its length cannot be known.
func (b *Bus) readReply(ctx context.Context, device, op string, sent []byte, timeout time.Duration) ([]byte, error) {
	var got []byte
	buf := make([]byte, 256)
	end := b.clock.Now().Add(timeout)
	for {
		got = dropEcho(got, sent)
		if !maybeEcho(got, sent) {
			want := replyLength(got, sent[1])
			if want < 0 || want > 0 && len(got) >= want {
				return got, nil // if there is more than the reply, the CRC says so
			}
		}
		n, err := b.Read(ctx, buf, end.Sub(b.clock.Now()))
		if err = drivers.Ended(ctx, err); err != nil {
			if drivers.KindOf(err) != drivers.NoReply {
				return nil, drivers.Wrap(device, op, err)
			}
			return nil, noReply(device, op, got, timeout)
		}
		got = append(got, buf[:n]...)
	}
}

// maybeEcho says that got may be the beginning of the request itself: some
// two-wire adapters hear what they send. The replies to FC 05 and 06 are equal to
// their requests; there an echo cannot be told from a confirmation, which is why
// coils are read back.
func maybeEcho(got, sent []byte) bool {
	return !repeats(sent[1]) && len(got) > 0 && len(got) < len(sent) && bytes.HasPrefix(sent, got)
}

// dropEcho removes the request from the front of what was heard.
func dropEcho(got, sent []byte) []byte {
	if !repeats(sent[1]) && bytes.HasPrefix(got, sent) {
		return got[len(sent):]
	}
	return got
}

// repeats says that the reply to a function is the request.
func repeats(function byte) bool { return function == writeSingleCoil || function == writeRegister }
