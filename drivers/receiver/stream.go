package receiver

// Counts says how a stream went.
type Counts struct {
	Frames  int // whole frames, of any type
	Damaged int // places where a frame should have been and was not whole
	Skipped int // bytes passed over to find a frame again
}

// framer looks at the bytes at one place of a stream: the length of the whole
// frame that begins there, 0 if more bytes are needed to say, -1 if none does.
type framer interface{ frame(b []byte) int }

// stream finds frames in bytes that arrive in any portions. While it follows
// frame after frame, a place without a frame counts as damage once; then, and
// at the beginning (a capture begins in the middle of a frame), it tries byte
// after byte and counts only what it passed over.
type stream struct {
	Counts
	held     []byte
	followed bool

	// Silences between frames, and those in the midst of one, after so many of its
	// bytes as at the first.
	between, within, after int
}

// silence notes that nothing came for so long that a frame begins next, and whether
// the next byte can be its first. While no
// frame is followed, what begins before it is none. Where the frames that are
// followed go on over most silences, at the same place, they are followed at a
// wrong place: the same values again and again can fit there.
func (s *stream) silence(begins bool) {
	switch n := len(s.held); {
	case !s.followed && !begins:
	case !s.followed:
		s.Skipped += n
		s.held = s.held[:0]
	case n == 0:
		s.between++
	case s.within == 0 || n == s.after:
		s.within++
		s.after = n
	}
}

// astray says whether the frames were followed at a wrong place.
func (s *stream) astray() bool { return s.within >= 5 && s.within > 4*s.between }

func (s *stream) decode(f framer, p []byte) {
	b := p
	if len(s.held) > 0 {
		s.held = append(s.held, p...)
		b = s.held
	}
	for len(b) > 0 {
		n := f.frame(b)
		if n == 0 {
			break
		}
		if n > 0 {
			s.Frames++
			s.followed = true
			b = b[n:]
			continue
		}
		if s.followed {
			s.Damaged++
			s.followed = false
		}
		s.Skipped++
		b = b[1:]
	}
	s.held = append(s.held[:0], b...)
}
