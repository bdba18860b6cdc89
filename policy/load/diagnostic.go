package load

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/hashicorp/hcl/v2"
)

// The summaries: all there are, errors first. A summary never holds anything
// that the operator wrote, so that it becomes familiar and can be searched for.
const (
	noPolicy       = "No policy"
	fileTooLarge   = "File too large"
	fileEmpty      = "Empty file"
	notUTF8        = "Not UTF-8 text"
	nulByte        = "Not a text file"
	tooDeep        = "Nested too deeply"
	syntaxError    = "Syntax error"
	notInLanguage  = "Not part of the policy language"
	tooMuch        = "Policy too large"
	valueTooLong   = "Value too long"
	tooManyToShow  = "Too many to show"
	unknownBlock   = "Unknown block"
	unknownAttr    = "Unknown attribute"
	unknownVar     = "Unknown variable"
	unknownFunc    = "Unknown function"
	unknownUPS     = "Unknown UPS"
	unknownHost    = "Unknown host"
	unknownGroup   = "Unknown group"
	unknownSite    = "Unknown site"
	unknownObject  = "Unknown RFC 1628 object"
	unknownWord    = "Unknown choice"
	noSite         = "No site"
	noUPS          = "No UPS"
	severalSites   = "Several sites"
	duplicateBlock = "Duplicate block"
	duplicateName  = "Duplicate name"
	duplicateAttr  = "Duplicate attribute"
	duplicateEntry = "Duplicate entry"
	missingBlock   = "Missing block"
	missingAttr    = "Missing attribute"
	wrongLabels    = "Wrong name of a block"
	invalidName    = "Invalid name"
	wrongType      = "Wrong kind of value"
	wrongArguments = "Wrong function arguments"
	noUnit         = "Duration without unit"
	notDuration    = "Invalid duration"
	notDate        = "Invalid date"
	notAddress     = "Invalid address"
	notEthernet    = "Invalid Ethernet address"
	notFingerprint = "Invalid fingerprint"
	notOID         = "Invalid object identifier"
	notText        = "Invalid text"
	outOfRange     = "Out of range"
	chooseOne      = "Exactly one is needed"
	doesNotApply   = "Does not apply here"
	secretExpected = "Secret expected"
	secretUnread   = "Secret cannot be read"
	secretMisused  = "Secret inside a text"
	variableCircle = "Variables in a circle"
	groupCircle    = "Groups in a circle"
	hostCircle     = "Dependencies in a circle"
	chartNotFall   = "Chart does not fall"
	badModel       = "Implausible battery model"
	noFeed         = "No feed"
	otherFeed      = "Guest with feeds of its own"
	noMethod       = "Host without a way to stop it"
	noSSH          = "SSH needed"
	guestsDraw     = "Guests draw more than their host"
	selfNotLast    = "Own host is not last"
	selfTwice      = "Second own host"
	selfRemote     = "Own host stopped from outside"
	localElsewhere = "Local command on another host"
	staysUpNeeds   = "Needs a host that is stopped"
	observedAll    = "The whole site is only watched"
	observedGuest  = "Guest watched on a host that is stopped"
	unknownCircuit = "Unknown circuit"
	unknownPDU     = "Unknown PDU"
	unknownWire    = "Unknown size of wire"
	badLine        = "No such line"
	plugElsewhere  = "Plugged into another feed"
	notURL         = "Invalid URL"
	notMailbox     = "Invalid mail address"
	badTemplate    = "Template with an error"
	unknownCode    = "Unknown code"
	openPage       = "Page open to all"
	unknownSensor  = "Unknown temperature"
	notConfirmed   = "No second sensor"
	notPath        = "Invalid path"

	watchedOnly    = "No orders are given"
	watchedOutput  = "Output left on"
	watchedNeeds   = "Stopped under a host that stays up"
	noSelf         = "No own host"
	stopsAssumed   = "Stopping time assumed"
	givesUpEarly   = "Gives up before it is stopped"
	highLoad       = "High load"
	shortChart     = "Chart ends below the load"
	noBatteryDate  = "Battery age unknown"
	foreignLoad    = "Needed on another feed"
	noWayBack      = "No way back"
	priorityBelow  = "Priority below a dependent's"
	promiseBelow   = "Promise below a dependent's"
	shortRide      = "Short ride-through"
	shortReserve   = "Short reserve"
	clearSNMP      = "SNMP without keys"
	versionGuessed = "SNMP version guessed"
	weakCrypto     = "Weak cryptography"
	inTheClear     = "Sent in the clear"
	unseenUPS      = "UPS not read"
	outputTooSoon  = "Output off too soon"
	twice          = "One address for two"
	overCircuit    = "Circuit overloaded"
	overPDU        = "PDU overloaded"
	overVA         = "More volt-amperes than rated"
	unbalanced     = "Lines loaded unevenly"
	highInrush     = "High inrush"
	longWire       = "Voltage drop"
	nameplate      = "Watts of the nameplate"
	emergencyActs  = "Where the emergency switch acts"
	emergencyWays  = "A UPS that the emergency switch may not reach"
	pastInlet      = "Limit above what is made for it"
	coarseSensor   = "Coarse sensor"
	oneSensor      = "One sensor alone"
)

// maxShown is where the reporting ends, for errors and for warnings: nobody
// reads further, and a file made to have a million mistakes must not fill the
// memory.
const maxShown = 1000

// report collects diagnostics, each place and summary once: what is wrong in a
// group is wrong for every host of it, and is said once.
type report struct {
	diags hcl.Diagnostics
	seen  map[spot]bool
	count [3]int // by severity
}

type spot struct {
	summary string
	at      hcl.Range
}

// full says that no more of this severity will be shown.
func (r *report) full(sev hcl.DiagnosticSeverity) bool { return r.count[sev] >= maxShown }

func (r *report) failed() bool { return r.count[hcl.DiagError] > 0 }

func (r *report) add(d *hcl.Diagnostic) {
	if r.seen == nil {
		r.seen = map[spot]bool{}
	}
	k := spot{d.Summary, start(d)}
	if r.seen[k] || r.full(d.Severity) {
		return
	}
	r.seen[k] = true
	r.diags = append(r.diags, d)
	r.count[d.Severity]++
	if r.full(d.Severity) {
		r.diags = append(r.diags, &hcl.Diagnostic{
			Severity: d.Severity,
			Summary:  tooManyToShow,
			Detail:   fmt.Sprintf("Only the first %d are shown. Mend these and check again.", maxShown),
			Subject:  d.Subject,
		})
	}
}

// place is where a diagnostic points: the tightest range, and the block around.
type place struct{ at, block hcl.Range }

func (r *report) err(p place, summary, format string, args ...any) {
	r.put(hcl.DiagError, p, summary, format, args)
}

func (r *report) warn(p place, summary, format string, args ...any) {
	r.put(hcl.DiagWarning, p, summary, format, args)
}

func (r *report) put(sev hcl.DiagnosticSeverity, p place, summary, format string, args []any) {
	if r.full(sev) {
		return // spares the formatting
	}
	d := &hcl.Diagnostic{Severity: sev, Summary: summary, Detail: fmt.Sprintf(format, args...), Subject: &p.at}
	if p.block.Filename == p.at.Filename && p.block.Overlaps(p.at) {
		d.Context = hcl.RangeOver(p.block, p.at).Ptr()
	}
	r.add(d)
}

// sorted gives all that was reported in the order of the files.
func (r *report) sorted() hcl.Diagnostics {
	slices.SortStableFunc(r.diags, func(a, b *hcl.Diagnostic) int {
		x, y := start(a), start(b)
		return cmp.Or(
			cmp.Compare(x.Filename, y.Filename),
			cmp.Compare(x.Start.Line, y.Start.Line),
			cmp.Compare(x.Start.Column, y.Start.Column))
	})
	return r.diags
}

func start(d *hcl.Diagnostic) hcl.Range {
	if d.Subject == nil {
		return hcl.Range{}
	}
	return *d.Subject
}

// Diagnostic is one diagnostic as `check --json` prints it.
type Diagnostic struct {
	Severity string `json:"severity"` // "error" or "warning"
	Summary  string `json:"summary"`
	Detail   string `json:"detail"`
	File     string `json:"file"` // "" when it is about no file
	Line     int    `json:"line"` // from 1; 0 when it is about no file
	Column   int    `json:"column"`
}

// JSON gives the diagnostics for a JSON document: never nil, so that the list
// is printed as [] when there is nothing to say.
func JSON(diags hcl.Diagnostics) []Diagnostic {
	out := make([]Diagnostic, 0, len(diags))
	for _, d := range diags {
		at := start(d)
		out = append(out, Diagnostic{
			Severity: severity(d), Summary: d.Summary, Detail: d.Detail,
			File: at.Filename, Line: at.Start.Line, Column: at.Start.Column,
		})
	}
	return out
}

func severity(d *hcl.Diagnostic) string {
	if d.Severity == hcl.DiagError {
		return "error"
	}
	return "warning"
}

const (
	rule  = "  │ "
	width = 78 // columns, the rule among them
)

// Write prints diagnostics for people: one line that editors understand, then
// the detail. It quotes no line of the file, because that line may hold a
// password that somebody wrote there by mistake. The rule at the left shows
// whether a message that is passed on is whole.
func Write(w io.Writer, diags hcl.Diagnostics, color bool) error {
	var b strings.Builder
	for i, d := range diags {
		if i > 0 {
			b.WriteByte('\n')
		}
		if at := start(d); at.Filename != "" {
			fmt.Fprintf(&b, "%s:%d:%d: ", at.Filename, at.Start.Line, at.Start.Column)
		}
		open, bold, end := "", "", ""
		if color {
			open, bold, end = "\x1b[33m", "\x1b[1m", "\x1b[0m"
			if d.Severity == hcl.DiagError {
				open = "\x1b[31m"
			}
		}
		fmt.Fprintf(&b, "%s%s:%s %s%s%s\n", open, severity(d), end, bold, d.Summary, end)
		for _, line := range wrap(d.Detail, width-utf8.RuneCountInString(rule)) {
			b.WriteString(rule + line + "\n")
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// wrap breaks text at spaces into lines of at most columns; a longer word has
// a line of its own.
func wrap(text string, columns int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		if line != "" && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > columns {
			lines = append(lines, line)
			line = ""
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	return append(lines, line)
}

// suggester finds what the operator may have meant. Its effort is bounded:
// thousands of wrong names among thousands of right ones get no suggestion
// rather than minutes of comparing.
type suggester struct{ effort int }

const maxEffort = 50_000_000 // pairs of letters compared

// meant gives ` Did you mean "x"?`, or "" when nothing known is near.
func (s *suggester) meant(given string, known []string) string {
	best, least := "", 3
	for _, k := range known {
		if s.effort += 1 + len(k)*len(given); s.effort > maxEffort || len(given) > maxNameBytes {
			return ""
		}
		if strings.EqualFold(k, given) {
			best, least = k, 0
			break
		}
		if len(k) > maxNameBytes || max(len(k)-len(given), len(given)-len(k)) >= least {
			continue
		}
		if d := distance(given, k); d < least && d < len(given) {
			best, least = k, d
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf(" Did you mean %q?", best)
}

// distance is the number of letters to insert, delete, change or swap with
// their neighbour to come from a to b. Neither is longer than a name.
func distance(a, b string) int {
	var rows [3][maxNameBytes + 1]int
	before, last, row := &rows[0], &rows[1], &rows[2]
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}
