package sound

import (
	"context"
	"os"
	"path/filepath"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/wav"
)

// File is a source that plays a WAV file as if it were captured, in the time
// it would take on the clock. Each capture goes on where the last one ended;
// past the end of the file the source is Gone.
type File struct {
	path    string
	clock   drivers.Clock
	samples drivers.Samples
	pos     int // samples played
	due     time.Time
}

var _ Source = (*File)(nil)

// OpenFile reads a WAV file.
func OpenFile(path string, clock drivers.Clock) (*File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, drivers.Errorf(path, "open", drivers.Gone, "%w", err)
	}
	defer f.Close()
	s, err := wav.Decode(f, filepath.Base(path))
	if err != nil {
		return nil, drivers.Errorf(path, "open", drivers.Garbled, "%w", err)
	}
	return &File{path: path, clock: clock, samples: s}, nil
}

// Identity is the name of the file.
func (f *File) Identity() (string, error) { return filepath.Base(f.path), nil }

// Begin starts a capture.
func (f *File) Begin() (float64, int, error) {
	f.due = f.clock.Now()
	return f.samples.Rate, f.samples.Channels, nil
}

// Read waits until the samples would have been captured, at most a tenth of a
// second of them.
func (f *File) Read(ctx context.Context, max int, _ time.Duration) ([]float64, error) {
	n := min(max, f.samples.Count()-f.pos, int(f.samples.Rate/10)+1)
	if n <= 0 {
		return nil, drivers.Errorf(f.path, "read", drivers.Gone, "the recording ends after %v", f.samples.Duration())
	}
	f.due = f.due.Add(time.Duration(float64(n) / f.samples.Rate * float64(time.Second)))
	if err := f.clock.Sleep(ctx, f.due.Sub(f.clock.Now())); err != nil {
		return nil, err
	}
	from := f.pos * f.samples.Channels
	f.pos += n
	// A copy: the recorder calibrates in place.
	return append([]float64(nil), f.samples.Values[from:f.pos*f.samples.Channels]...), nil
}

// End does nothing.
func (f *File) End() error { return nil }

// Close does nothing: the file was read at once.
func (f *File) Close() error { return nil }
