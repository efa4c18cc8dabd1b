package script

import lua "github.com/yuin/gopher-lua"

// Where an instruction of the interpreter has its operation: the upper six
// bits. TestNoTailCallIsLeft holds this to the interpreter.
const (
	operationShift = 26
	operandMask    = 1<<operationShift - 1
)

func operation(inst uint32) int { return int(inst >> operationShift) }

// callInFull makes an ordinary call of every tail call in p and in the
// functions within. A tail call takes no level of the stack, so the bound on levels
// does not hold it, while the interpreter keeps count of tail calls and writes a
// line for each into the trace of every error: gigabytes, and nothing can stop it.
//
// The compiler writes "return f(x)" as a call for all results, a return of all
// that came, and then turns the call into a tail call; this turns it back. It
// is "return 1, f(x)" without the 1.
func callInFull(p *lua.FunctionProto) {
	for i, inst := range p.Code {
		if operation(inst) == lua.OP_TAILCALL {
			p.Code[i] = uint32(lua.OP_CALL)<<operationShift | inst&operandMask
		}
	}
	for _, f := range p.FunctionPrototypes {
		callInFull(f)
	}
}
