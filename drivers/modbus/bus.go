package modbus

import (
	"bytes"
	"context"
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
}

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

// converse sends a request and returns the data of the reply.
func (b *Bus) converse(ctx context.Context, device, op string, sent []byte, timeout time.Duration) ([]byte, error) {
	if err := b.guard.Enter(ctx); err != nil {
		return nil, drivers.Wrap(device, op, drivers.Ended(ctx, err))
	}
	defer b.guard.Leave()
	if err := b.clock.Sleep(ctx, b.last.Add(b.gap).Sub(b.clock.Now())); err != nil {
		return nil, drivers.Wrap(device, op, drivers.Ended(ctx, err))
	}
	defer func() { b.last = b.clock.Now() }()
	if err := b.Discard(); err != nil { // a late reply to an earlier request
		return nil, drivers.Wrap(device, op, err)
	}
	if err := b.Write(ctx, sent); err != nil {
		return nil, drivers.Wrap(device, op, drivers.Ended(ctx, err))
	}
	got, err := b.readReply(ctx, device, op, sent, timeout)
	if err != nil {
		return nil, err
	}
	data, bad := checkReply(sent, got)
	if bad != nil {
		e := drivers.Errorf(device, op, bad.kind, "%w", bad)
		if bad.kind == drivers.Garbled {
			return nil, e.WithHint("Check baud rate, parity and the polarity of the two wires; two devices with one " +
				"address garble each other.")
		}
		return nil, e
	}
	return data, nil
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
			if len(got) > 0 {
				return nil, drivers.Errorf(device, op, drivers.Garbled, "only part of a reply in %v: % X", timeout, got)
			}
			return nil, drivers.Errorf(device, op, drivers.NoReply, "no reply in %v", timeout).
				WithHint("Is the board powered, its address right, and the baud rate the one set on it?")
		}
		got = append(got, buf[:n]...)
	}
}

// maybeEcho says that got may be the beginning of the request itself: some
// two-wire adapters hear what they send. The reply to FC 05 is equal to its
// request; there an echo cannot be told from a confirmation, which is why
// coils are read back.
func maybeEcho(got, sent []byte) bool {
	return sent[1] != writeSingleCoil && len(got) > 0 && len(got) < len(sent) && bytes.HasPrefix(sent, got)
}

// dropEcho removes the request from the front of what was heard.
func dropEcho(got, sent []byte) []byte {
	if sent[1] != writeSingleCoil && bytes.HasPrefix(got, sent) {
		return got[len(sent):]
	}
	return got
}
