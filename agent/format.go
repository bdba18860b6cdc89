package agent

import (
	"bytes"
	"embed"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"ebbline/policy"
)

// format is the number of what a snapshot holds. It goes up whenever a field comes,
// goes, or means another thing; the fields of each format stand in formats/. What a
// build is called, or when its file was made, says nothing of what it remembers.
//
//	1: without a number; the builds before there was one
//	2: which answers say "output off" or "test", and for how long; what hosts were
//	   before their UPS said that its output is off; how often the core failed
//	3: by how much the losses of the low battery are those of the likely one
//	4: facts, and the schedule in force; see former.go for what is taken out of 1 to 3
//	   and, where the policy has them, of rooms and emergency inputs
//	5: the same facts in fewer fields, with true units in their names; see fourth.go
//	6: batteries are as old as the last event has them, or an outage's first; that a host
//	   looked turned off when it was asked is a state of it; see fifth.go
const format = 6

// importers make this build's snapshot of each format that it reads, field by field
// where one is more than the same under the same name. What is to come over from a core
// with other conclusions is facts: actions begun, sightings, charges, the number
// of the outage.
var importers = map[int]func(text []byte) (*snapshot, error){
	1: fromFormer, // what it does not have is zero: nothing of the kind was heard
	2: fromFormer,
	3: fromFormer,
	4: fromFourth,
	5: fromFifth,
	6: asItIs,
}

func asItIs(text []byte) (*snapshot, error) {
	s := &snapshot{}
	return s, json.Unmarshal(text, s)
}

// refused says why a snapshot is not used, and under which name it is put aside.
type refused struct{ as, text string }

func (r *refused) Error() string { return r.text }

// The names under which a journal that cannot be used whole is kept.
const (
	damaged    = "damaged"
	newer      = "newer-format"
	unknown    = "unknown-fields"
	impossible = "impossible"
)

// numbered is what every format begins with, and what can be had of one that is not read.
type numbered struct {
	Format *int
	Boot   string
	Epoch  json.RawMessage
	State  struct {
		Outage json.RawMessage
		Policy json.RawMessage
		Next   json.RawMessage
	}
}

// decode makes a snapshot of its text, or says why it cannot be used.
func decode(text []byte) (*snapshot, error) {
	var head numbered
	if err := json.Unmarshal(text, &head); err != nil {
		return nil, &refused{damaged, "it cannot be read: " + err.Error()}
	}
	n := 1
	if head.Format != nil {
		n = *head.Format
	}
	if n > format {
		return nil, &refused{newer, fmt.Sprintf("it has format %d, of a newer build, and this build reads formats up to %d. Start the newer build again and it goes on from there", n, format)}
	}
	take := importers[n]
	if take == nil {
		return nil, &refused{unknown, fmt.Sprintf("it has format %d, which there never was", n)}
	}
	if err := fieldsOf(n).check(text); err != nil {
		return nil, &refused{unknown, fmt.Sprintf("in format %d %v", n, err)}
	}
	for name, p := range map[string]json.RawMessage{"State.Policy": head.State.Policy, "State.Next": head.State.Next} {
		if _, err := knownPolicy(p); err != nil {
			return nil, &refused{unknown, fmt.Sprintf("%s cannot be read: %v", name, err)}
		}
	}
	s, err := take(text)
	if err != nil {
		return nil, &refused{impossible, "a value of it is none: " + err.Error()}
	}
	s.State.Furnish()
	if err := sound(s.State); err != nil {
		return nil, &refused{impossible, err.Error()}
	}
	return s, nil
}

// knownPolicy reads a policy of which every word is known. One of a build that
// knew fewer words says what it said then.
func knownPolicy(text json.RawMessage) (*policy.Policy, error) {
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	var p *policy.Policy
	if err := d.Decode(&p); err != nil || p == nil {
		return nil, err
	}
	return p, p.Check()
}

//go:embed formats/*.txt
var formatTexts embed.FS

// fields are those of one format: of an object at a path, by name.
type fields map[string]map[string]mark

// mark says what is known of a field.
type mark string

const (
	mandatory mark = ""
	optional  mark = "?" // it is left out when it is empty
	opaque    mark = "*" // what is in it is checked elsewhere
)

// fieldsOf reads the list of a format's fields: a path, and a mark.
func fieldsOf(n int) fields {
	text, err := formatTexts.ReadFile(fmt.Sprintf("formats/%d.txt", n))
	if err != nil {
		panic("agent: " + err.Error())
	}
	f := fields{}
	for line := range strings.Lines(string(text)) {
		path, m, _ := strings.Cut(strings.TrimSpace(line), " ")
		parent, name := "", path
		if i := strings.LastIndexByte(path, '.'); i >= 0 {
			parent, name = path[:i], path[i+1:]
		}
		if f[parent] == nil {
			f[parent] = map[string]mark{}
		}
		f[parent][strings.TrimSuffix(name, "[]")] = mark(m)
	}
	return f
}

// check tells whether a text has these fields and no others. Names count to the
// letter, which the JSON package does not ask for.
func (f fields) check(text []byte) error {
	var v map[string]any
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber() // whether a number is one is not asked here
	if err := d.Decode(&v); err != nil {
		return err
	}
	return f.object("", v)
}

func (f fields) object(path string, v map[string]any) error {
	under := func(name string) string { return strings.TrimPrefix(path+"."+name, ".") }
	for _, name := range slices.Sorted(maps.Keys(v)) {
		m, there := f[path][name]
		if !there {
			return fmt.Errorf("there is no field %q", under(name))
		}
		if m == opaque {
			continue
		}
		switch in := v[name].(type) {
		case map[string]any:
			if err := f.object(under(name), in); err != nil {
				return err
			}
		case []any:
			for _, e := range in {
				if o, is := e.(map[string]any); is {
					if err := f.object(under(name)+"[]", o); err != nil {
						return err
					}
				}
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(f[path])) {
		if _, there := v[name]; !there && f[path][name] == mandatory {
			return fmt.Errorf("the field %q is missing", under(name))
		}
	}
	return nil
}
