package load

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/zclconf/go-cty/cty"

	"ebbline/policy"
)

// Bounds on what expressions make.
const (
	maxText    = 64 << 10 // bytes of one text
	maxEntries = 1_000    // of one list or map
	maxMade    = 64 << 20 // bytes of all texts and lists that functions and templates make
)

// value is what an expression gives, with the place that gave it. The language
// is evaluated here and not by the library: so lists and maps keep the place of
// each entry, "80" is never taken for 80, a secret cannot turn into text, and
// no message but ours is ever printed.
type value struct {
	at hcl.Range
	// data is a string, float64, bool, policy.Secret, []value or []entry; nil
	// when what is wrong with it was reported.
	data any
}

type entry struct{ key, value value }

// kind names what a value is, for messages.
func (v value) kind() string {
	switch v.data.(type) {
	case string:
		return "a text"
	case float64:
		return "a number"
	case bool:
		return "true or false"
	case policy.Secret:
		return "a secret"
	case []value:
		return "a list"
	case []entry:
		return "a map"
	}
	return "nothing"
}

// empty says that a value is a list without entries.
func (v value) empty() bool {
	list, ok := v.data.([]value)
	return ok && len(list) == 0
}

// variable is one variable block, evaluated when it is first needed.
type variable struct {
	s     *section
	state uint8
	value value
	ok    bool
}

const (
	untouched uint8 = iota
	underWay
	done
)

// evaluator turns expressions into values and says what is wrong with them.
type evaluator struct {
	*report
	suggester
	variables map[string]*variable
	names     []string // of the variables
	chain     []string // of the variables under way
	known     map[*hclsyntax.Attribute]cached
	readable  func(name string) error // nil: not checked
	secrets   map[string]error
	made      int

	// incomplete says that something could not be parsed: a name that is
	// missing may be declared there, and its absence is not reported.
	incomplete bool
}

type cached struct {
	value value
	ok    bool
}

// attribute gives an attribute's value, evaluated once however many hosts share
// it by their group.
func (ev *evaluator) attribute(a *hclsyntax.Attribute) (value, bool) {
	if c, ok := ev.known[a]; ok {
		return c.value, c.ok
	}
	v, ok := ev.eval(a.Expr)
	ev.known[a] = cached{v, ok}
	return v, ok
}

func (ev *evaluator) eval(e hclsyntax.Expression) (value, bool) {
	at := e.Range()
	switch e := e.(type) {
	case *hclsyntax.ParenthesesExpr:
		return ev.eval(e.Expression)
	case *hclsyntax.TemplateWrapExpr:
		return ev.eval(e.Wrapped)
	case *hclsyntax.LiteralValueExpr:
		return ev.literal(e.Val, at)
	case *hclsyntax.TemplateExpr:
		return ev.template(e)
	case *hclsyntax.ScopeTraversalExpr:
		return ev.reference(e)
	case *hclsyntax.FunctionCallExpr:
		return ev.call(e)
	case *hclsyntax.TupleConsExpr:
		return ev.list(e)
	case *hclsyntax.ObjectConsExpr:
		return ev.mapping(e)
	case *hclsyntax.ObjectConsKeyExpr:
		if word := hcl.ExprAsKeyword(e.Wrapped); word != "" && !e.ForceNonLiteral {
			return value{at, word}, true
		}
		return ev.eval(e.Wrapped)
	case *hclsyntax.UnaryOpExpr:
		if v, ok := ev.eval(e.Val); !ok {
			return v, false
		} else if f, ok := v.data.(float64); ok && e.Op == hclsyntax.OpNegate {
			return value{at, -f}, true
		}
	}
	ev.err(place{at: at}, notInLanguage, "The policy language has texts, numbers, true and false, [lists], { maps }, var.NAME and functions; it has no operators, conditions, loops or indices. Write the value itself.")
	return value{}, false
}

func (ev *evaluator) literal(v cty.Value, at hcl.Range) (value, bool) {
	switch {
	case v.IsNull():
		ev.err(place{at: at}, wrongType, "The language has no null. Leave the attribute out, or give it a value.")
		return value{}, false
	case !v.IsKnown():
		return value{}, false // a syntax error, already reported
	case v.Type() == cty.String:
		return value{at, v.AsString()}, true
	case v.Type() == cty.Bool:
		return value{at, v.True()}, true
	}
	f, _ := v.AsBigFloat().Float64()
	return value{at, f}, true
}

// template joins the parts of a text.
func (ev *evaluator) template(e *hclsyntax.TemplateExpr) (value, bool) {
	var b strings.Builder
	whole := true
	for _, part := range e.Parts {
		v, ok := ev.eval(part)
		if !ok {
			whole = false
			continue
		}
		text, ok := ev.text(v)
		whole = whole && ok && ev.room(b.Len()+len(text), e.SrcRange)
		if !whole {
			continue
		}
		b.WriteString(text)
	}
	if !whole || !ev.spend(b.Len(), e.SrcRange) {
		return value{}, false
	}
	return value{e.SrcRange, b.String()}, true
}

// text gives a value as it stands in a text.
func (ev *evaluator) text(v value) (string, bool) {
	switch d := v.data.(type) {
	case nil:
		return "", false
	case string:
		return d, true
	case float64:
		if math.Abs(d) <= maxNumber {
			return strconv.FormatFloat(d, 'f', -1, 64), true
		}
		ev.err(place{at: v.at}, outOfRange, "Numbers in a policy go up to %.0f. Write a smaller one.", maxNumber)
		return "", false
	case bool:
		return strconv.FormatBool(d), true
	case policy.Secret:
		ev.err(place{at: v.at}, secretMisused, "A secret stands alone as the value of an attribute that takes one: ebbline does not know it here and cannot join it to a text. Write attribute = secret(\"name\").")
		return "", false
	}
	ev.err(place{at: v.at}, wrongType, "A text is made of texts and numbers; this is %s. Use join(\", \", list) for a list.", v.kind())
	return "", false
}

// room refuses a text before it is made.
func (ev *evaluator) room(bytes int, at hcl.Range) bool {
	if bytes > maxText {
		ev.err(place{at: at}, valueTooLong, "A text has at most %d bytes. Write a shorter one.", maxText)
		return false
	}
	return true
}

// spend counts what was made. It ends a policy whose variables double each
// other without end.
func (ev *evaluator) spend(bytes int, at hcl.Range) bool {
	ev.made += bytes
	if ev.made > maxMade {
		ev.err(place{at: at}, tooMuch, "The texts and lists of this policy add up to more than %d bytes. Look for variables that repeat each other.", maxMade)
		return false
	}
	return true
}

// reference gives the value of var.NAME.
func (ev *evaluator) reference(e *hclsyntax.ScopeTraversalExpr) (value, bool) {
	root := e.Traversal.RootName()
	if root != "var" {
		ev.err(place{at: e.SrcRange}, unknownVar, "%q stands here without quotes. Write %q for a text, or var.NAME for a variable.", root, root)
		return value{}, false
	}
	name := ""
	if len(e.Traversal) == 2 {
		if t, ok := e.Traversal[1].(hcl.TraverseAttr); ok {
			name = t.Name
		}
	}
	if name == "" {
		ev.err(place{at: e.SrcRange}, notInLanguage, "A variable is used whole. Write var.NAME, and declare one variable for each value.")
		return value{}, false
	}
	v := ev.variables[name]
	if v == nil && ev.incomplete {
		return value{}, false
	}
	if v == nil {
		hint := ev.meant(name, ev.names)
		if hint == "" {
			hint = fmt.Sprintf(" Declare it: variable %q { value = ... }.", name)
		}
		ev.err(place{at: e.SrcRange}, unknownVar, "No variable %q is declared.%s", name, hint)
		return value{}, false
	}
	got, ok := ev.variable(v, e.SrcRange)
	got.at = e.SrcRange
	return got, ok
}

func (ev *evaluator) variable(v *variable, at hcl.Range) (value, bool) {
	switch v.state {
	case done:
		return v.value, v.ok
	case underWay:
		from := slices.Index(ev.chain, v.s.name)
		chain := append(slices.Clone(ev.chain[from:]), v.s.name)
		ev.err(place{at: at}, variableCircle, "These variables need each other: %s. Give one of them a value of its own.", arrows(chain))
		return value{}, false
	}
	if v.s.broken {
		return value{}, false
	}
	v.state = underWay
	ev.chain = append(ev.chain, v.s.name)
	if a := v.s.layers[0].Body.Attributes["value"]; a != nil {
		v.value, v.ok = ev.attribute(a)
	} else {
		ev.err(v.s.head, missingAttr, "%s has no value. Write value = ... in it.", v.s.title)
	}
	ev.chain = ev.chain[:len(ev.chain)-1]
	v.state = done
	return v.value, v.ok
}

// arrows writes a chain of names.
func arrows(names []string) string {
	quoted := make([]string, len(names))
	for i, n := range names {
		quoted[i] = strconv.Quote(n)
	}
	return strings.Join(quoted, " -> ")
}

func (ev *evaluator) list(e *hclsyntax.TupleConsExpr) (value, bool) {
	if !ev.entries(len(e.Exprs), e.SrcRange) {
		return value{}, false
	}
	out := make([]value, len(e.Exprs))
	for i, x := range e.Exprs {
		out[i], _ = ev.eval(x)
	}
	return value{e.SrcRange, out}, true
}

func (ev *evaluator) entries(n int, at hcl.Range) bool {
	if n > maxEntries {
		ev.err(place{at: at}, valueTooLong, "A list or map has at most %d entries; this has %d. Write a shorter one.", maxEntries, n)
		return false
	}
	return true
}

func (ev *evaluator) mapping(e *hclsyntax.ObjectConsExpr) (value, bool) {
	if !ev.entries(len(e.Items), e.SrcRange) {
		return value{}, false
	}
	var out []entry
	seen := map[string]bool{}
	for _, item := range e.Items {
		k, _ := ev.eval(item.KeyExpr)
		v, _ := ev.eval(item.ValueExpr)
		key, ok := ev.text(k)
		if !ok {
			continue
		}
		if seen[key] {
			ev.err(place{at: k.at}, duplicateEntry, "The key %q is given twice in this map. Remove one of them.", key)
			continue
		}
		seen[key] = true
		out = append(out, entry{value{k.at, key}, v})
	}
	return value{e.SrcRange, out}, true
}
