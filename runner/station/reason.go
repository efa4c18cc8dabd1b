package station

import (
	"errors"
	"strings"

	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/runner/script"
)

// Why finds the reason in an error of the station's: an [*Abort], a [*NotReady]
// or a [*Fault]; nil in any other.
func Why(err error) *reports.Reason {
	if e, ok := errors.AsType[*Fault](err); ok {
		return &e.Why
	}
	if e, ok := errors.AsType[*NotReady](err); ok {
		return &e.Why
	}
	if e, ok := errors.AsType[*Abort](err); ok {
		return &e.Why
	}
	return nil
}

// reasonsOf is each part of a joined error as a reason.
func reasonsOf(err error) []reports.Reason {
	j, ok := err.(interface{ Unwrap() []error })
	if !ok {
		return []reports.Reason{reasonOf(err)}
	}
	var list []reports.Reason
	for _, e := range j.Unwrap() {
		list = append(list, reasonsOf(e)...)
	}
	return list
}

// reasonOf is an error that ended something of a run as it goes on record. What
// a device, the plan or the system said is quoted.
func reasonOf(err error) reports.Reason {
	if _, joined := err.(interface{ Unwrap() []error }); joined {
		if list := reasonsOf(err); len(list) > 1 {
			return reports.Reason{Code: reports.Several, Because: list}
		}
	}
	lua, ofLua := errors.AsType[*script.Error](err)
	device, ofDevice := errors.AsType[*drivers.Error](err)
	var r reports.Reason
	switch stop, stopped := errors.AsType[*script.Stop](err); {
	case Why(err) != nil:
		r = *Why(err)
	case ofDevice:
		r = reports.Reason{Code: reports.DeviceFailed, Device: device.Device, Verb: device.Op,
			Kind: string(device.Kind), Hint: device.Hint}
		if device.Err != nil {
			r.Text = oneLine(device.Err)
		}
	case stopped:
		r = reasonOfStop(stop)
	case !ofLua:
		r = archive.Unrecorded(err)
		r.Code = reports.OtherFault
	case lua.File == "":
		r = reports.Reason{Code: reports.Internal, Text: lua.Text}
	case lua.Err == nil:
		r = reports.Reason{Code: reports.PlanError, Text: lua.Text, Hint: lua.Hint}
	default:
		r = reports.Reason{Code: reports.CallFailed, Text: lua.Text, Hint: lua.Hint}
	}
	if ofLua && r.File == "" {
		r.File, r.Line = lua.File, lua.Line
	}
	return r
}

func reasonOfStop(s *script.Stop) reports.Reason {
	switch s.Kind {
	case script.StopDeadline:
		if s.Check == "" {
			return reports.Reason{Code: reports.PlanDeadline, Seconds: s.After.Seconds()}
		}
		return reports.Reason{Code: reports.CheckDeadline, Check: s.Check, Seconds: s.After.Seconds()}
	case script.StopProcessor:
		return reports.Reason{Code: reports.Computing, Seconds: s.After.Seconds()}
	case script.StopMemory:
		return reports.Reason{Code: reports.MemoryTaken, Size: s.Size}
	case script.StopMisuse:
		return reports.Reason{Code: reports.TakenTwice, Check: s.Check, Readings: s.Readings}
	case script.StopRecord:
		return reports.Reason{Code: reports.Unrecorded, Text: oneLine(s.Err)}
	}
	return reports.Reason{Code: reports.Internal, Text: s.Text}
}

func oneLine(err error) string { return strings.ReplaceAll(err.Error(), "\n", "; ") }
