package script

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"regexp"
	"slices"
	"strings"
	"sync"

	lua "github.com/yuin/gopher-lua"

	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/runner/input"
	"fullthrow/runner/picture"
)

// Compared is a picture that is kept beside the reference it was compared with.
type Compared struct{ Picture, Reference drivers.Picture }

// referenceName is what a reference picture beside a plan may be called.
var referenceName = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^[A-Za-z0-9_-]{1,60}\.(png|jpg|jpeg)$`)
})

const referenceHint = `the name of a file beside the plan, written out: picture("display.png")`

// reference is a picture beside the plan: its file, and its pixels once they were
// wanted. All runs share it.
type reference struct {
	file   []byte
	pixels func() (drivers.Picture, error)
}

const (
	maxReferences     = 100
	maxReferenceBytes = 4 * picture.MaxBytes // of all of a plan
)

// references reads the pictures that the plan names, by the bounds of package
// picture; their pixels are not looked at yet.
func (p *Plan) readReferences(fsys fs.FS) *Error {
	p.references = map[string]*reference{}
	bytes := 0
	for _, u := range p.uses {
		if u.Kind != "picture" || p.references[u.Name] != nil {
			continue
		}
		at := func(hint, format string, args ...any) *Error {
			return &Error{File: u.File, Line: u.Line, Text: fmt.Sprintf("picture %s: ", u.Name) + fmt.Sprintf(format,
				args...), Hint: hint}
		}
		file, err := input.ReadFS(fsys, u.Name, picture.MaxBytes)
		if err != nil {
			near := ""
			if names, _ := fs.Glob(fsys, "*.*"); names != nil {
				names = slices.DeleteFunc(names, func(n string) bool { return !referenceName().MatchString(n) })
				near = didYouMean(u.Name, names)
			}
			return at(cmp.Or(near, "it lies beside the plan"), "cannot be read: %s", plain(err))
		}
		if _, err := picture.ReadHead(file); err != nil {
			return at("a PNG or JPEG picture, as the camera takes it", "%v", err)
		}
		if bytes += len(file); bytes > maxReferenceBytes || len(p.references) >= maxReferences {
			return at("", "more than %d reference pictures, or %d bytes of them", maxReferences, maxReferenceBytes)
		}
		sum := sha256.Sum256(file)
		p.Sources = append(p.Sources, reports.Source{Name: u.Name, SHA256: hex.EncodeToString(sum[:])})
		p.references[u.Name] = &reference{file, sync.OnceValues(func() (drivers.Picture, error) {
			return picture.Decode(u.Name, file)
		})}
	}
	return nil
}

// CheckPictures decodes the pictures that the plan names and lists those that are
// damaged, each with the place that names it.
func (p *Plan) CheckPictures() (list []*Error) {
	seen := map[string]bool{}
	for _, u := range p.uses {
		if u.Kind != "picture" || seen[u.Name] {
			continue
		}
		seen[u.Name] = true
		if _, err := picture.Decode(u.Name, p.references[u.Name].file); err != nil {
			list = append(list, &Error{File: u.File, Line: u.Line, Text: fmt.Sprintf("picture %s: %v", u.Name, err),
				Hint: "save it again"})
		}
	}
	return list
}

// referencePicture is picture(name): a picture beside the plan.
func referencePicture(t *task, L *lua.LState) int {
	t.inCheck(L, "picture")
	s, _ := L.Get(1).(lua.LString)
	ref := t.run.plan.references[string(s)]
	if ref == nil { // called by another name than picture
		return t.raisef(L, referenceHint, "picture: %s is not named in the plan", describe(L.Get(1)))
	}
	p, err := ref.pixels()
	if err != nil {
		return t.raisef(L, "save it again", "picture %s: %v", string(s), err)
	}
	L.Push(t.captureValue(p))
	return 1
}

// programPicture runs a program and takes the file that it writes as a picture.
func programPicture(c call) int {
	r := c.run()
	failed := func(format string, args ...any) *drivers.Error {
		return drivers.Errorf(c.role, "take a picture", drivers.Garbled, format, args...)
	}
	switch {
	case r.Exit != 0:
		why := r.Err
		if why = strings.TrimSpace(cmp.Or(why, r.Out)); why != "" {
			why = ": " + clip(why, 200)
		}
		return c.t.raise(c.L, failed("its program ended with %d%s", r.Exit, why), "")
	case r.Output == nil:
		return c.t.raisef(c.L, `arguments = ["--file", "{output}"] in the bench file`,
			"%s: the program's arguments have no {output}", c.what)
	}
	var p drivers.Picture
	h, err := picture.ReadHead(r.Output)
	if err == nil {
		c.t.charge(3 * h.Width * h.Height)
		c.t.device(c.L, func(context.Context) (e error) { p, err = picture.Decode(c.role, r.Output); return nil })
	}
	if err != nil {
		return c.t.raise(c.L, failed("%v", err).WithHint("Run the program by hand, and look at the file it writes."), "")
	}
	p.At = c.t.run.host.Clock.Now()
	c.L.Push(c.t.captureValue(p))
	return 1
}

// compared takes keep's option reference.
func (t *task) compared(L *lua.LState, what string, kept any, options lua.LValue) any {
	o := t.options(L, what, options, "reference")
	if !o.has("reference") {
		return kept
	}
	p, ok := kept.(drivers.Picture)
	var ref drivers.Picture
	if ud, isCapture := o.get("reference").(*lua.LUserData); isCapture && ud.Metatable == t.run.meta.capture && ok {
		ref, ok = ud.Value.(drivers.Picture)
	} else {
		ok = false
	}
	if !ok {
		t.raisef(L, `keep("display", seen, { reference = picture("display.png") })`,
			"%s: reference: only a picture has one, which is a picture", what)
	}
	return Compared{p, ref}
}
