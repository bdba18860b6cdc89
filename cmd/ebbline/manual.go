package main

import (
	"context"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// manualCommand writes the manual's pages and what shells need: packaging/install
// takes them from there. No help shows it.
func (p *program) manualCommand() *command {
	return &command{
		name: "manual", usage: "FOLDER", takes: []string{"FOLDER"}, help: "Writes the manual's pages and the completions into a folder.",
		set: func(c *call) action {
			return func(context.Context) int {
				if len(c.args) == 0 {
					c.usage("into which folder?")
					return exitUsage
				}
				written, err := p.papers()
				for _, name := range slices.Sorted(maps.Keys(written)) {
					path := filepath.Join(c.args[0], name)
					if err == nil {
						err = os.MkdirAll(filepath.Dir(path), 0o755)
					}
					if err == nil {
						err = os.WriteFile(path, written[name], 0o644)
					}
				}
				if err != nil {
					return c.fail("%v", err)
				}
				return exitDone
			}
		},
	}
}

// papers are the files by their names below that folder. Nothing in them is of the
// environment or the day.
func (p *program) papers() (map[string][]byte, error) {
	all := map[string][]byte{"man/ebbline.1": []byte(p.firstPage())}
	for _, cmd := range append(commands(), p.completionCommand()) {
		for _, cmd := range append([]*command{cmd}, cmd.under...) {
			all["man/ebbline-"+strings.ReplaceAll(cmd.name, " ", "-")+".1"] = []byte(p.page(cmd))
		}
	}
	for _, t := range topics {
		r := pageHead("ebbline-"+t.name, t.section, map[string]string{"5": "File formats", "7": "Overviews"}[t.section], t.about)
		r.section("Description")
		r.text(t.text)
		r.also("ebbline(1)")
		all["man/ebbline-"+t.name+"."+t.section] = []byte(r.String())
	}
	for _, shell := range []string{"bash", "zsh", "fish"} {
		text, err := p.completion(shell)
		if err != nil {
			return nil, err
		}
		all["completion/ebbline."+shell] = text
	}
	return all, nil
}

func (p *program) firstPage() string {
	r := pageHead("ebbline", "1", "User commands", "brings a room of machines down in order before the UPS battery runs out")
	r.section("Synopsis")
	r.text("ebbline COMMAND [POLICY] [flags]")
	r.section("Description")
	r.text(overviewHead)
	r.section("Commands")
	also := []string{}
	for _, cmd := range append(commands(), p.completionCommand()) {
		r.item("ebbline "+cmd.name, cmd.about)
		also = append(also, "ebbline-"+cmd.name+"(1)")
	}
	r.section("Policy, documents, exit status")
	r.text(overviewFoot)
	r.section("Environment")
	for _, v := range environment {
		r.item(v[0], v[1])
	}
	r.section("Caution")
	r.text(overviewCaution)
	for _, t := range topics {
		also = append(also, "ebbline-"+t.name+"("+t.section+")")
	}
	r.also(also...)
	return r.String()
}

// environment is what the program reads of it.
var environment = [][2]string{
	{"EBBLINE_POLICY", "the policy, where no argument names it"},
	{"EBBLINE_SITE", "the site, where several share a folder"},
	{"EBBLINE_SECRETS", "the folder with the secrets"},
	{"EBBLINE_SECRET_NAME", "the value of the secret NAME, in capitals, with _ for what is no letter or digit"},
	{"EBBLINE_STATE", "the agent's folder for journal, history and messages"},
	{"EBBLINE_SOCKET", "the agent's control socket"},
	{"EBBLINE_HISTORY", "the history that commands read, or none"},
	{"NO_COLOR", "no colour on a terminal"},
}

// page is that of one command.
func (p *program) page(cmd *command) string {
	c := p.find(cmd.name)
	r := pageHead("ebbline-"+strings.ReplaceAll(cmd.name, " ", "-"), "1", "User commands", cmd.about)
	r.section("Synopsis")
	r.text("ebbline " + cmd.name + " " + cmd.usage)
	r.section("Description")
	r.text(cmd.help)
	also := []string{"ebbline(1)"}
	if len(cmd.under) > 0 {
		r.section("Commands")
		for _, sub := range cmd.under {
			r.item("ebbline "+sub.name, sub.about)
			also = append(also, "ebbline-"+strings.ReplaceAll(sub.name, " ", "-")+"(1)")
		}
	}
	r.section("Options")
	c.eachFlag(r.item)
	for _, t := range topics {
		also = append(also, "ebbline-"+t.name+"("+t.section+")")
	}
	r.also(also...)
	return r.String()
}

// roff is a manual page in the making.
type roff struct{ strings.Builder }

func pageHead(name, section, kind, about string) *roff {
	r := &roff{}
	fmt.Fprintf(r, ".\\\" Made by: ebbline manual FOLDER\n.TH %s %s \"\" \"ebbline\" \"%s\"\n", escaped(strings.ToUpper(name)), section, kind)
	r.section("Name")
	fmt.Fprintf(r, "%s \\- %s\n", escaped(name), escaped(about))
	return r
}

func (r *roff) section(name string) { fmt.Fprintf(r, ".SH %s\n", strings.ToUpper(escaped(name))) }

func (r *roff) item(term, text string) {
	fmt.Fprintf(r, ".TP\n\\fB%s\\fR\n%s\n", escaped(term), lines(text))
}

func (r *roff) also(pages ...string) {
	r.section("See also")
	for i, page := range pages {
		name, section, _ := strings.Cut(page, "(")
		end := ","
		if i == len(pages)-1 {
			end = ""
		}
		fmt.Fprintf(r, ".BR %s \"(%s%s\"\n", escaped(name), section, end)
	}
}

var (
	headingRow = regexp.MustCompile(`^[^ ].*[^.:,;)]$`)
	termRow    = regexp.MustCompile(`^  (\S+(?: \S+)*)(?:  +(\S.*))?$`)
	spoken     = regexp.MustCompile("`([^`]+)`")
)

// text writes what help prints: paragraphs; a line by itself as a heading; lists of
// terms, indented by two; and what is indented by more as it stands.
func (r *roff) text(text string) {
	for block := range strings.SplitSeq(strings.Trim(text, "\n"), "\n\n") {
		rows := strings.Split(strings.Trim(block, "\n"), "\n")
		if len(rows) == 1 && headingRow.MatchString(rows[0]) && strings.Contains(text, "\n\n") {
			kind := ".SS"
			if strings.ToUpper(rows[0]) == rows[0] {
				kind = ".SH"
			}
			fmt.Fprintf(r, "%s %s\n", kind, escaped(rows[0]))
			continue
		}
		for len(rows) > 0 {
			n := 1
			for n < len(rows) && strings.HasPrefix(rows[n], " ") == strings.HasPrefix(rows[0], " ") {
				n++
			}
			switch part := rows[:n]; {
			case !strings.HasPrefix(part[0], " "):
				r.paragraph(lines(strings.Join(part, "\n")))
			case !r.list(part):
				r.paragraph(".nf\n.RS 2\n" + verbatim(part) + "\n.RE\n.fi")
			}
			rows = rows[n:]
		}
	}
}

// paragraph writes one; below a heading nothing sets it off.
func (r *roff) paragraph(text string) {
	so := strings.TrimSuffix(r.String(), "\n")
	if last := so[strings.LastIndex(so, "\n")+1:]; !strings.HasPrefix(last, ".SH") && !strings.HasPrefix(last, ".SS") {
		r.WriteString(".PP\n")
	}
	r.WriteString(text + "\n")
}

// list writes rows as a list, if they are one: terms with what is told of each
// behind or below it.
func (r *roff) list(rows []string) bool {
	if strings.HasPrefix(rows[0], "   ") {
		return false
	}
	var items [][2]string
	told := false
	for _, row := range rows {
		m := termRow.FindStringSubmatch(row)
		switch {
		case m != nil:
			items = append(items, [2]string{m[1], m[2]})
			told = told || m[2] != ""
		case strings.HasPrefix(row, "    "):
			last := &items[len(items)-1]
			last[1] = strings.TrimSpace(last[1] + "\n" + strings.TrimSpace(row))
			told = true
		default:
			return false
		}
	}
	if told {
		for _, it := range items {
			r.item(it[0], it[1])
		}
	}
	return told
}

func verbatim(rows []string) string {
	var all []string
	for _, row := range rows {
		all = append(all, guarded(escaped(strings.TrimPrefix(strings.TrimPrefix(row, "  "), "  "))))
	}
	return strings.Join(all, "\n")
}

// lines escapes running text line by line.
func lines(text string) string {
	text = spoken.ReplaceAllString(text, "\x01$1\x02")
	var all []string
	for row := range strings.SplitSeq(text, "\n") {
		all = append(all, guarded(escaped(strings.TrimSpace(row))))
	}
	return strings.NewReplacer("\x01", `\fB`, "\x02", `\fR`).Replace(strings.Join(all, "\n"))
}

// escaped keeps roff from reading anything into a text.
func escaped(text string) string {
	var b strings.Builder
	for _, r := range text {
		switch {
		case r == '\\':
			b.WriteString(`\e`)
		case r == '-':
			b.WriteString(`\-`)
		case r == '"':
			b.WriteString(`\(dq`)
		case r > 126:
			fmt.Fprintf(&b, `\[u%04X]`, r)
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// guarded keeps a line from being taken for a request.
func guarded(row string) string {
	if strings.HasPrefix(row, ".") || strings.HasPrefix(row, "'") {
		return `\&` + row
	}
	return row
}
