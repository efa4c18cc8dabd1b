package sound

import (
	"bufio"
	"bytes"
	"errors"
	"io/fs"
	"strconv"
	"strings"
)

// Info is a sound input of this machine.
type Info struct {
	Name  string // as a bench file names it: "hw:1,0"
	Card  string // the card's short name, which stays the same when cards are numbered anew: "hw:CARD,0"
	About string
}

// list reads /proc/asound/cards and /proc/asound/pcm. A machine without sound
// has neither.
func list(proc fs.FS) ([]Info, error) {
	cards, err := fs.ReadFile(proc, "asound/cards")
	if err == nil {
		var pcm []byte
		if pcm, err = fs.ReadFile(proc, "asound/pcm"); err == nil {
			return parseList(cards, pcm), nil
		}
	}
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return nil, err
}

// parseList takes the inputs out of
//
//	0 [PCH            ]: HDA-Intel - HDA Intel PCH
//
// of cards, and of pcm
//
//	00-00: ALC0 Analog : ALC0 Analog : playback 1 : capture 1
//
// Lines of any other form are passed over.
func parseList(cards, pcm []byte) []Info {
	short := map[int]string{}
	for s := bufio.NewScanner(bytes.NewReader(cards)); s.Scan(); {
		number, rest, ok := strings.Cut(s.Text(), "[")
		id, _, closed := strings.Cut(rest, "]")
		if n, err := strconv.Atoi(strings.TrimSpace(number)); ok && closed && err == nil {
			short[n] = strings.TrimSpace(id)
		}
	}
	var infos []Info
	for s := bufio.NewScanner(bytes.NewReader(pcm)); s.Scan(); {
		fields := strings.Split(s.Text(), ":")
		card, device, ok := strings.Cut(fields[0], "-")
		c, err := strconv.Atoi(card)
		d, err2 := strconv.Atoi(device)
		if !ok || err != nil || err2 != nil {
			continue
		}
		captures := false
		for _, f := range fields[1:] {
			captures = captures || strings.HasPrefix(strings.TrimSpace(f), "capture")
		}
		if captures {
			infos = append(infos, Info{
				Name:  "hw:" + strconv.Itoa(c) + "," + strconv.Itoa(d),
				Card:  short[c],
				About: strings.TrimSpace(fields[1]),
			})
		}
	}
	return infos
}
