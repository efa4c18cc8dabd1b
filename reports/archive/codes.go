package archive

// Codes of what [Verify] finds, in [reports.Problem]: one each, whatever the
// words say.
const (
	ReportChanged     = "report-changed"     // the seal does not fit, or it is no sealed report
	ReportMissing     = "report-missing"     // a number has no report
	ReportTwice       = "report-twice"       // a number or run has two
	ReportUnlinked    = "report-unlinked"    // it does not follow the one before
	ReportMoved       = "report-moved"       // it lies where it does not belong
	ReportForeign     = "report-foreign"     // sealed by another key than the station's
	ReportContradicts = "report-contradicts" // it says of itself what cannot be
	NumberNone        = "number-none"        // a number that no station gives
	NumbersGivenUp    = "numbers-given-up"   // the head was gone or forged when the archive was opened
	HeadMissing       = "head-missing"       // the note of the newest record is gone
	HeadForged        = "head-forged"        // it is not signed by the station
	HeadBehind        = "head-behind"        // it is an older one, put back
	HeadOther         = "head-other"         // its record is not in the archive as it was sealed
	RolledBack        = "rolled-back"        // somebody has seen reports that are not there, or others
	KeyMissing        = "key-missing"        // station.pub is gone or unreadable
	KeyForged         = "key-forged"         // a renewal that nobody signed, or another key than the last
	KeyLost           = "key-lost"           // a renewal without the old key
	KeyReplaced       = "key-replaced"       // somebody has seen another key, which did not hand over
	AttachmentMissing = "attachment-missing" //
	AttachmentChanged = "attachment-changed" //
	RepairChanged     = "repair-changed"     // as of reports, in the record of repairs
	RepairMissing     = "repair-missing"     //
	RepairTwice       = "repair-twice"       //
	RepairUnlinked    = "repair-unlinked"    //
	RepairMoved       = "repair-moved"       //
	RepairForeign     = "repair-foreign"     //
)
