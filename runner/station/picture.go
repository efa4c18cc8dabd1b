package station

import (
	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/runner/picture"
	"fullthrow/runner/script"
)

const (
	mostCopied = 2 << 20   // bytes of small copies in one report
	mostFiles  = 128 << 20 // bytes of pictures that wait for the outcome of one run
)

// pictureFile is a picture's file, which alone waits for the outcome.
type pictureFile struct {
	media string
	data  []byte
}

// pictures are what a capture shows, if it is a picture.
func pictures(capture any) (seen drivers.Picture, reference *drivers.Picture, ok bool) {
	switch c := capture.(type) {
	case drivers.Picture:
		return c, nil, true
	case script.Compared:
		return c.Picture, &c.Reference, true
	}
	return seen, nil, false
}

// small puts copies of a picture, and of its reference, into a capture, as far as a
// report has room for them, and gives what is to wait for the outcome: its file, or
// nothing where too much waits already.
func (r *recorder) small(c *reports.Capture, seen drivers.Picture, reference *drivers.Picture) (raw any, err error) {
	add := func(role string, p drivers.Picture) error {
		data, media, err := picture.Small(p)
		if err != nil || r.copied+len(data) > mostCopied {
			return err
		}
		r.copied += len(data)
		c.Pictures = append(c.Pictures, reports.Picture{Role: role, Name: p.Name, Width: p.Width, Height: p.Height,
			Media: media, Data: data})
		return nil
	}
	if err := add(reports.SeenPicture, seen); err != nil {
		return nil, err
	}
	if reference != nil {
		if err := add(reports.ReferencePicture, *reference); err != nil {
			return nil, err
		}
	}
	c.Media = seen.Media
	if r.files+len(seen.File) > mostFiles {
		return nil, nil
	}
	r.files += len(seen.File)
	return pictureFile{seen.Media, seen.File}, nil
}
