package reports

// HintedError is an error with a hint: what to do about it, for people.
type HintedError struct {
	Err  error
	Hint string
}

// Hinted is err with a hint.
func Hinted(err error, hint string) error { return &HintedError{Err: err, Hint: hint} }

// Advice is the hint: what to do about it, for people.
func (e *HintedError) Advice() string { return e.Hint }

func (e *HintedError) Error() string { return e.Err.Error() }

func (e *HintedError) Unwrap() error { return e.Err }

// Problem is something wrong with a file of an archive.
type Problem struct {
	Code string // what it is, where that has a name: "report-missing", see package archive
	File string // within the archive; "file:line" for a journal
	Text string
	Hint string
	// Because says it exactly, of a report that contradicts itself; else nil.
	Because *Reason
}

func (p Problem) Error() string { return p.File + ": " + p.Text }
