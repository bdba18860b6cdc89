package load

import (
	"cmp"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"math"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"

	"ebbline/policy"
)

// maxNumber bounds every number, so that none loses its whole part in a
// float64 or overflows when it becomes an int64.
const maxNumber = 1e15

const day = 24 * time.Hour

// field is one attribute of a section, to be read as what it should be. A
// reader of a field gives its fallback when the attribute is absent or wrong;
// what is wrong is reported, so the policy is never made of fallbacks.
type field struct {
	l     *loader
	s     *section
	name  string
	attr  *hclsyntax.Attribute // nil when absent
	block hcl.Range            // around attr
	value value
	ok    bool // given, and its expression has a value
}

// get finds an attribute in the nearest layer that has it.
func (l *loader) get(s *section, name string) field {
	f := l.peek(s, name)
	if f.attr != nil {
		f.value, f.ok = l.attribute(f.attr)
	}
	return f
}

// peek is get without evaluating.
func (l *loader) peek(s *section, name string) field {
	for _, layer := range s.layers {
		if a := layer.Body.Attributes[name]; a != nil {
			return field{l: l, s: s, name: name, attr: a, block: layer.Range()}
		}
	}
	return field{l: l, s: s, name: name}
}

// need reports an attribute that is absent.
func (f field) need() field {
	if f.attr == nil && !f.s.partial {
		f.l.err(f.s.head, missingAttr, "%s has no %s. Write %s = %s in it.", f.s.title, f.name, f.name, example(f.s.kind, f.name))
	}
	return f
}

// example shows how an attribute is written, where that is not plain.
func example(kind, name string) string {
	switch {
	case kind == "local" && name == "command":
		return `["systemctl", "poweroff"]`
	case kind == "gpio" && name == "active":
		return `"low"`
	case kind == "mail" && name == "user":
		return `"ebbline@example.org"`
	}
	return cmp.Or(examples[name], "...")
}

var examples = map[string]string{
	"address":          `"192.0.2.10"`,
	"ahead":            `"5m"`,
	"amp_hours":        "9",
	"amps":             "20",
	"auth_key":         `secret("name")`,
	"chemistry":        `"vrla"`,
	"chip":             `"/dev/gpiochip0"`,
	"command":          `"sudo systemctl poweroff"`,
	"ethernet":         `"02:00:00:00:00:20"`,
	"from":             `"ebbline@example.org"`,
	"key":              `secret("name")`,
	"limit":            "35",
	"line":             "17",
	"listen":           `"192.0.2.5:162"`,
	"name":             `"A7"`,
	"off":              "2",
	"cut_after":        `"2m"`,
	"ohmic":            `"9m"`,
	"oid":              `"1.3.6.1.2.1.105.1.1.1.3.1.1"`,
	"on":               "1",
	"return_after":     `"1m"`,
	"password":         `secret("name")`,
	"path":             `"/sys/class/hwmon/hwmon0/temp1_input"`,
	"priority":         "50",
	"priv_key":         `secret("name")`,
	"protocol":         `"redfish"`,
	"rated_watts":      "2700",
	"relaxation":       `"90m"`,
	"server":           `"mail.example.org:587"`,
	"store_watt_hours": "312",
	"time_constant":    `"35m"`,
	"to":               `["operator@example.org"]`,
	"url":              `"https://hooks.example.org/ebbline"`,
	"user":             `"ebbline"`,
	"version":          `"3"`,
	"volts":            "72",
	"watts":            "85",
	"watts_per_kelvin": "60",
}

func (f field) at() place { return place{f.value.at, f.block} }

// own is at, or where the section begins when a group said it: what is wrong
// with one host is not said at a place that others share.
func (f field) own() place {
	if f.attr != nil && f.block == f.s.head.block {
		return f.at()
	}
	return f.s.head
}

// bad reports the field's value.
func (f field) bad(summary, format string, args ...any) {
	f.l.err(f.at(), summary, format, args...)
}

// wrong reports a value of another kind than wanted. It never prints the value,
// and says nothing of one that was reported already.
func (f field) wrong(v value, wanted string) {
	if v.data == nil {
		return
	}
	f.l.err(place{v.at, f.block}, wrongType, "%s of %s is %s here, and must be %s.", f.name, f.s.title, v.kind(), wanted)
}

// raw gives a text as written.
func (f field) raw() string {
	if !f.ok {
		return ""
	}
	text, ok := f.value.data.(string)
	if !ok {
		f.wrong(f.value, "a \"text\" in quotes")
	}
	return text
}

// text gives a text that fits on one line and is not empty.
func (f field) text() string {
	text := f.raw()
	if f.ok && f.printable(f.value) && strings.TrimSpace(text) == "" {
		f.bad(notText, "%s of %s is empty. Write its value, or leave the attribute out if it may be absent.", f.name, f.s.title)
	}
	return text
}

// printable refuses control characters, which no address, name or command
// needs and which a terminal obeys.
func (f field) printable(v value) bool {
	text, ok := v.data.(string)
	if !ok {
		return false
	}
	i := strings.IndexFunc(text, func(r rune) bool { return unicode.IsControl(r) && r != '\t' })
	if i >= 0 {
		r, _ := utf8.DecodeRuneInString(text[i:])
		f.l.err(place{v.at, f.block}, notText, "%s of %s has a control character (%U) at position %d. Remove it.", f.name, f.s.title, r, 1+utf8.RuneCountInString(text[:i]))
	}
	return i < 0
}

// choice gives one of a few words; "" when absent or wrong.
func (f field) choice(words ...string) string {
	if !f.ok {
		return ""
	}
	text, isText := f.value.data.(string)
	if n, ok := f.value.data.(float64); ok && slices.Contains(words, strconv.FormatFloat(n, 'f', -1, 64)) {
		f.wrong(f.value, fmt.Sprintf("a text: write %s = \"%g\"", f.name, n))
		return ""
	}
	if !isText {
		f.wrong(f.value, "one of "+quoted(words))
		return ""
	}
	if !slices.Contains(words, text) {
		f.bad(unknownWord, "%s of %s cannot be %q.%s Write one of %s.", f.name, f.s.title, text, f.l.meant(text, words), quoted(words))
		return ""
	}
	return text
}

func quoted(words []string) string {
	q := make([]string, len(words))
	for i, w := range words {
		q[i] = strconv.Quote(w)
	}
	return strings.Join(q, ", ")
}

// flag gives true or false; false when absent.
func (f field) flag() bool {
	if !f.ok {
		return false
	}
	b, ok := f.value.data.(bool)
	if !ok {
		f.wrong(f.value, "true or false, without quotes")
	}
	return b
}

// number gives a number within its bounds.
func (f field) number(low, high, fallback float64) float64 {
	if !f.ok {
		return fallback
	}
	n, ok := f.value.data.(float64)
	if !ok {
		f.wrong(f.value, "a number, without quotes")
		return fallback
	}
	if !(n >= low && n <= high) {
		f.bad(outOfRange, "%s of %s must be from %s to %s. Write a number between them.", f.name, f.s.title, plain(low), plain(high))
		return fallback
	}
	return n
}

func plain(n float64) string { return strconv.FormatFloat(n, 'f', -1, 64) }

func wholeNumber(n float64) bool { return n == math.Trunc(n) && math.Abs(n) <= maxNumber }

// whole gives a whole number.
func (f field) whole(low, high, fallback int64) int64 {
	n := f.number(float64(low), float64(high), float64(fallback))
	if !wholeNumber(n) {
		f.bad(outOfRange, "%s of %s must be a whole number. Write it without a fraction.", f.name, f.s.title)
		return fallback
	}
	return int64(n)
}

// maxWatts is above any UPS that is on the market for a room of machines.
const maxWatts = 10_000_000

// watts gives a draw in whole watts, rounded up: against ourselves.
func (f field) watts(low, fallback int64) int64 {
	return int64(math.Ceil(steady(f.number(float64(low), maxWatts, float64(fallback)))))
}

// steady takes a float's dust away before it is rounded, so that 0.88 times
// 1000 is 880.
func steady(n float64) float64 {
	if r := math.Round(n); math.Abs(n-r) < 1e-6 {
		return r
	}
	return n
}

// duration gives a time span with its unit.
func (f field) duration(low, high, fallback time.Duration) time.Duration {
	if !f.ok {
		return fallback
	}
	d, ok := f.span(f.value, low, high)
	if !ok {
		return fallback
	}
	return d
}

func (f field) span(v value, low, high time.Duration) (time.Duration, bool) {
	p := place{v.at, f.block}
	text, ok := v.data.(string)
	n, isNumber := v.data.(float64)
	switch {
	case isNumber && math.Abs(n) <= maxNumber:
		text = plain(n)
	case !ok:
		f.wrong(v, "a duration such as \"90s\"")
		return 0, false
	}
	if text != "" && strings.Trim(text, "+-.0123456789") == "" {
		f.l.err(p, noUnit, "%s of %s has no unit: seconds, minutes and hours look alike. Write \"%ss\" for seconds or \"%sm\" for minutes.", f.name, f.s.title, text, text)
		return 0, false
	}
	d, err := time.ParseDuration(text)
	if err != nil {
		f.l.err(p, notDuration, "%s of %s is %q, which is no duration. Write numbers with h, m or s, such as \"90s\" or \"1h30m\"; a day is \"24h\".", f.name, f.s.title, text)
		return 0, false
	}
	if d < low || d > high {
		f.l.err(p, outOfRange, "%s of %s is %q and must be from %q to %q. Write a duration between them.", f.name, f.s.title, text, short(low), short(high))
		return 0, false
	}
	return d, true
}

// percent is a whole percentage, written "40%"; fallback when it is absent.
func (f field) percent(low, high, fallback int64) int64 {
	if !f.ok {
		return fallback
	}
	text, ok := f.value.data.(string)
	digits, is := strings.CutSuffix(text, "%")
	n, err := strconv.ParseInt(strings.TrimSpace(digits), 10, 64)
	switch {
	case !ok || !is || err != nil:
		f.wrong(f.value, "a whole percentage such as \"40%\"")
		return fallback
	case n < low || n > high:
		f.l.err(place{f.value.at, f.block}, outOfRange, "%s of %s is %q and must be from \"%d%%\" to \"%d%%\". Write a percentage between them.", f.name, f.s.title, text, low, high)
		return fallback
	}
	return n
}

// short writes a duration as the operator would: "5m", not "5m0s".
func short(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

// date gives days since 1970-01-01; 0 when absent.
func (f field) date() int64 {
	if !f.ok {
		return 0
	}
	text := f.raw()
	t, err := time.Parse(time.DateOnly, text)
	if err != nil || t.Year() < 1990 || t.Year() > 2100 {
		if _, isText := f.value.data.(string); isText {
			f.bad(notDate, "%s of %s is %q, which is no date from 1990 to 2100. Write year, month and day as \"2025-03-01\".", f.name, f.s.title, text)
		}
		return 0
	}
	return t.Unix() / int64(day/time.Second)
}

// word is a name that refers to something, and where it stands.
type word struct {
	text string
	at   place
}

// maxReferences bounds all the names that hosts and loads refer to, those by
// their groups among them.
const maxReferences = 1_000_000

// words gives a list of texts, each once.
func (f field) words(each string) []word {
	if !f.ok {
		return nil
	}
	list, ok := f.value.data.([]value)
	if !ok {
		wanted := "a list: write [\"name\", \"name\"]"
		if text, isText := f.value.data.(string); isText && ValidName(text) {
			wanted = fmt.Sprintf("a list: write %s = [%q]", f.name, text)
		}
		f.wrong(f.value, wanted)
		return nil
	}
	if f.l.references += len(list); f.l.references > maxReferences {
		f.bad(tooMuch, "The hosts and loads name each other and their UPSs more than %d times in all. Leave out what follows from the rest.", maxReferences)
		return nil
	}
	var out []word
	seen := make(map[string]bool, len(list))
	for _, v := range list {
		p := place{v.at, f.block}
		text, ok := v.data.(string)
		switch {
		case !ok:
			f.wrong(v, each)
			continue
		case seen[text]:
			f.l.err(p, duplicateEntry, "%q is named twice in %s of %s. Remove one of them.", text, f.name, f.s.title)
			continue
		}
		seen[text] = true
		out = append(out, word{text, p})
	}
	return out
}

// word gives one name; nil when absent.
func (f field) word() *word {
	if text := f.raw(); text != "" {
		return &word{text, f.at()}
	}
	if text, ok := f.value.data.(string); ok && text == "" {
		f.bad(notText, "%s of %s is empty. Write a name, or leave the attribute out.", f.name, f.s.title)
	}
	return nil
}

// secret gives a reference to a secret. The expression is looked at before it
// is evaluated, so that a password written into the policy by mistake reaches
// no message, not even as the name of a variable in a template.
func (l *loader) secret(s *section, name string, need bool) policy.Secret {
	f := l.peek(s, name)
	if need {
		f = f.need()
	}
	if f.attr == nil {
		return ""
	}
	f.value.at = f.attr.Expr.Range()
	expr := f.attr.Expr
	for {
		p, ok := expr.(*hclsyntax.ParenthesesExpr)
		if !ok {
			break
		}
		expr = p.Expression
	}
	call, isCall := expr.(*hclsyntax.FunctionCallExpr)
	ref, isVar := expr.(*hclsyntax.ScopeTraversalExpr)
	if isCall && call.Name == "secret" || isVar && ref.Traversal.RootName() == "var" {
		v, ok := l.attribute(f.attr)
		if !ok {
			return ""
		}
		if secret, ok := v.data.(policy.Secret); ok {
			return secret
		}
	}
	hint := ""
	if strings.HasSuffix(name, "community") {
		hint = " For the usual \"public\" leave the attribute out."
	}
	f.bad(secretExpected, "%s of %s must not stand in the policy: it may be read by many and kept for years. Put the value where ebbline looks for secrets and write %s = secret(\"name\").%s", name, f.s.title, name, hint)
	return ""
}

// port says whether an address may have a port.
type port uint8

const (
	portOptional port = iota + 1
	portNeeded
	portAlone // needed, and the host may be left out: ":162"
)

// address gives a host with or without a port.
func (f field) address(want port) string {
	if !f.ok {
		return ""
	}
	text, ok := f.value.data.(string)
	if !ok {
		f.wrong(f.value, "an address such as \"192.0.2.10\"")
		return ""
	}
	show := "\"192.0.2.10\" or \"vault.example\", with \":port\" after it where the port is not the usual one"
	if want != portOptional {
		port := "22"
		if f.s.kind == "wake" {
			port = "9" // of a magic packet, by custom
		}
		show = fmt.Sprintf("\"192.0.2.10:%s\" or \"[2001:db8::10]:%[1]s\"", port)
	}
	if why := badAddress(text, want); why != "" {
		f.bad(notAddress, "%s of %s %s. Write %s.", f.name, f.s.title, why, show)
		return ""
	}
	return text
}

// badAddress says what is wrong with an address, or "". It only looks at the
// form: whether a name resolves is known when it is used.
func badAddress(text string, want port) string {
	if text == "" {
		return "is empty"
	}
	if strings.Contains(text, "://") || strings.Contains(text, "/") {
		return "is not a host alone: leave the protocol and the path out"
	}
	host, number, hasPort := text, "", false
	if inner, ok := strings.CutPrefix(text, "["); ok {
		var rest string
		if host, rest, ok = strings.Cut(inner, "]"); !ok || !strings.Contains(host, ":") {
			return "has a bracket too many or too few"
		}
		if number, hasPort = strings.CutPrefix(rest, ":"); !hasPort && rest != "" {
			return "has something other than a port after its bracket"
		}
	} else if strings.Count(text, ":") == 1 {
		host, number, hasPort = strings.Cut(text, ":")
	}
	if hasPort {
		if n, err := strconv.ParseUint(number, 10, 16); err != nil || n == 0 || number[0] == '+' {
			return "has a port that is no number from 1 to 65535"
		}
	} else if want != portOptional {
		return "has no port"
	}
	if host == "" && want == portAlone {
		return ""
	}
	return badHost(host)
}

func badHost(host string) string {
	allowed := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("-_.", r)
	}
	const what = "has a character that no host name has"
	_, err := netip.ParseAddr(host)
	switch {
	case strings.Contains(host, ":") && err != nil:
		return "is no IPv6 address"
	case strings.Contains(host, ":"):
		return ""
	case strings.Trim(host, "0123456789.") == "" && host != "" && err != nil: // no name is of figures alone
		return "is no IPv4 address: that has four numbers from 0 to 255"
	}
	switch {
	case host == "" || len(host) > 253:
		return "has no host of 1 to 253 characters"
	case strings.ContainsFunc(host, func(r rune) bool { return !allowed(r) }):
		return what
	case host[0] == '-' || host[0] == '.' || strings.Contains(host, ".."):
		return "is no host name"
	}
	return ""
}

// ethernet gives a hardware address in lower case with colons.
func (f field) ethernet() string {
	text := f.raw()
	if text == "" && !f.ok {
		return ""
	}
	b, err := hex.DecodeString(strings.NewReplacer(":", "", "-", "").Replace(text))
	form := strings.Count(text, ":") == 5 || strings.Count(text, "-") == 5
	if err != nil || len(b) != 6 || len(text) != 17 || !form || b[0]&1 == 1 || slices.Max(b) == 0 {
		if _, isText := f.value.data.(string); isText {
			f.bad(notEthernet, "%s of %s is %q, which is no address of one network card. Write six pairs of hexadecimal digits, such as \"02:00:00:00:00:20\".", f.name, f.s.title, text)
		}
		return ""
	}
	pairs := make([]string, 6)
	for i, c := range b {
		pairs[i] = fmt.Sprintf("%02x", c)
	}
	return strings.Join(pairs, ":")
}

// fingerprint gives "SHA256:" and the 43 characters that ssh-keygen prints. It
// takes hexadecimal digits too, which is how certificates are shown.
func (f field) fingerprint(how string) string {
	text := f.raw()
	if text == "" && !f.ok {
		return ""
	}
	rest, prefixed := strings.CutPrefix(text, "SHA256:")
	sum, err := base64.RawStdEncoding.Strict().DecodeString(rest)
	if err != nil || len(sum) != sha256.Size {
		sum, err = hex.DecodeString(strings.ReplaceAll(rest, ":", ""))
	}
	if !prefixed || err != nil || len(sum) != sha256.Size {
		if _, isText := f.value.data.(string); isText {
			f.bad(notFingerprint, "%s of %s is not \"SHA256:\" followed by the 43 characters of a fingerprint. %s", f.name, f.s.title, how)
		}
		return ""
	}
	return "SHA256:" + base64.RawStdEncoding.EncodeToString(sum)
}

// oid gives an SNMP object identifier, without a leading dot.
func (f field) oid() string {
	text := f.raw()
	if text == "" && !f.ok {
		return ""
	}
	oid := strings.TrimPrefix(text, ".")
	good := len(text) <= 255
	parts := strings.Split(oid, ".")
	for _, p := range parts {
		_, err := strconv.ParseUint(p, 10, 32)
		good = good && err == nil && p[0] != '+'
	}
	if !good || len(parts) < 3 {
		if _, isText := f.value.data.(string); isText {
			f.bad(notOID, "%s of %s is no object identifier. Write its numbers with dots, such as \"1.3.6.1.2.1.105.1.1.1.3.1.1\", the instance at the end.", f.name, f.s.title)
		}
		return ""
	}
	return oid
}
