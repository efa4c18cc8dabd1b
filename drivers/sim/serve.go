package sim

import (
	"context"
	"errors"
	"sync"
	"time"

	"fullthrow/drivers"
)

// Options of [Serve].
type Options struct {
	// Dir gets a symbolic link per serial role ("board" -> /dev/pts/7), so
	// that a bench file can name it. "": none. It must exist.
	Dir string
}

// Endpoint is one served wire.
type Endpoint struct {
	Role    string
	Kind    string // "pty" or "tcp"
	Address string // path of the terminal (the link, if there is one), or host:port
	// Done is closed when the endpoint is gone and its link removed: after the
	// context of Serve ended, or after Unplug.
	Done   <-chan struct{}
	unplug func()
}

// Unplug takes the endpoint away, as if its cable were pulled: who has it open
// sees it hang up. It returns when it is gone. Break with fault Gone, on the
// other hand, leaves a served wire in place and silent.
func (e Endpoint) Unplug() {
	e.unplug()
	<-e.Done
}

// errVirtual is what Serve says to a bench on a virtual clock.
var errVirtual = errors.New("serve: the bench runs on a virtual clock; serving needs drivers.System")

// bufferSize of a pump: a frame, a line, or a part of a block.
const bufferSize = 64 << 10

// pump carries bytes between a wire of the bench and the outside until ctx
// ends or the outside is closed. read and write are those of the outside; the
// caller makes them return when ctx ends.
func pump(ctx context.Context, p drivers.Port, read func([]byte) (int, error), write func([]byte) error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var wg sync.WaitGroup
	wg.Go(func() {
		defer cancel()
		buf := make([]byte, bufferSize)
		for {
			n, err := read(buf)
			if err != nil {
				return
			}
			// A wire that is broken takes nothing; the outside cannot know.
			if err := p.Write(ctx, buf[:n]); err != nil && drivers.KindOf(err) != drivers.Gone {
				return
			}
		}
	})
	buf := make([]byte, bufferSize)
	for ctx.Err() == nil {
		n, err := p.Read(ctx, buf, time.Hour)
		switch drivers.KindOf(err) {
		case drivers.NoReply:
			continue
		case drivers.Gone:
			if drivers.System.Sleep(ctx, 50*time.Millisecond) == nil {
				continue
			}
		}
		if err != nil || write(buf[:n]) != nil {
			break
		}
	}
	cancel()
	wg.Wait()
}
