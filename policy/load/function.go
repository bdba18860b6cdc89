package load

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"

	"ebbline/policy"
)

// function is one of the language's functions: how it is called, and what it
// gives: nil when the arguments do not fit, false when something was reported.
type function struct {
	usage string
	apply func(ev *evaluator, args []value) (any, bool)
}

var functions = map[string]function{
	"format": {`format("text with %s and %d", value, value)`, format},
	"join":   {`join("separator", list)`, join},
	"upper":  {`upper("text")`, cased(strings.ToUpper)},
	"lower":  {`lower("text")`, cased(strings.ToLower)},
	"min":    {`min(number, number)`, extreme(math.Min)},
	"max":    {`max(number, number)`, extreme(math.Max)},
	"concat": {`concat(list, list)`, concat},
	"secret": {`secret("name")`, nil}, // see evaluator.secret
}

func (ev *evaluator) call(e *hclsyntax.FunctionCallExpr) (value, bool) {
	at := e.Range()
	f, ok := functions[e.Name]
	if !ok {
		names := slices.Collect(maps.Keys(functions))
		hint := ev.meant(e.Name, slices.Sorted(slices.Values(names)))
		if hint == "" {
			hint = known(" There are: %s.", names)
		}
		ev.err(place{e.NameRange, at}, unknownFunc, "There is no function %q.%s", e.Name, hint)
	}
	if e.Name == "secret" && !namesOnly(e) {
		return ev.badSecret(at)
	}
	var args []value
	whole := ok
	for _, x := range e.Args {
		v, ok := ev.eval(x)
		args = append(args, v)
		whole = whole && ok
	}
	if !whole {
		return value{}, false
	}
	if e.Name == "secret" {
		return ev.secret(e, args)
	}
	var data any
	if !e.ExpandFinal {
		data, ok = f.apply(ev, args)
	}
	if data == nil {
		ev.err(place{e.NameRange, at}, wrongArguments, "These arguments do not fit. Write %s.", f.usage)
		return value{}, false
	}
	size := 0
	switch d := data.(type) {
	case string:
		size, ok = len(d), ok && ev.room(len(d), at)
	case []value:
		size, ok = len(d)*sizeOfValue, ok && ev.entries(len(d), at)
	}
	if !ok || !ev.spend(size, at) {
		return value{}, false
	}
	return value{at, data}, true
}

// sizeOfValue is about what an entry of a list takes.
const sizeOfValue = 100

// secret gives a reference to a secret, after asking whether it can be read.
func (ev *evaluator) secret(e *hclsyntax.FunctionCallExpr, args []value) (value, bool) {
	at := e.Range()
	name := ""
	if len(args) == 1 && !e.ExpandFinal {
		name, _ = args[0].data.(string)
	}
	if !ValidName(name) {
		return ev.badSecret(at)
	}
	if ev.readable != nil {
		err, asked := ev.secrets[name]
		if !asked {
			err = ev.readable(name)
			ev.secrets[name] = err
		}
		if err != nil {
			ev.err(place{at: at}, secretUnread, "It cannot be read: %v.", err)
			return value{}, false
		}
	}
	return value{at, policy.Secret(name)}, true
}

// namesOnly says that the arguments refer to nothing but variables: the message
// about something else would print it, and it may be the secret's value.
func namesOnly(e *hclsyntax.FunctionCallExpr) bool {
	return !slices.ContainsFunc(e.Variables(), func(t hcl.Traversal) bool { return t.RootName() != "var" })
}

// badSecret reports a name that is none, without printing it: a value written
// here by mistake looks like this.
func (ev *evaluator) badSecret(at hcl.Range) (value, bool) {
	ev.err(place{at: at}, wrongArguments, "Write secret(\"name\"), the name being 1 to %d letters, digits, \"-\", \"_\" or \".\": it names the secret and is not its value.", maxNameBytes)
	return value{}, false
}

// format knows %s, %v, %d, %x and %X, the last three with a width up to 9 and a
// leading zero, and %%.
func format(ev *evaluator, args []value) (any, bool) {
	if len(args) == 0 {
		return nil, false
	}
	pattern, ok := args[0].data.(string)
	if !ok {
		return nil, false
	}
	args = args[1:]
	var b strings.Builder
	for b.Len() <= maxText {
		plain, rest, found := strings.Cut(pattern, "%")
		b.WriteString(plain)
		if !found {
			break
		}
		n := len(rest) - len(strings.TrimLeft(rest, "0123456789"))
		if n > 2 || n == 2 && rest[0] != '0' || n == len(rest) {
			return nil, false
		}
		verb := rest[n]
		pattern = rest[n+1:]
		if verb == '%' && n == 0 {
			b.WriteByte('%')
			continue
		}
		if len(args) == 0 {
			return nil, false
		}
		if n == 0 && (verb == 's' || verb == 'v') {
			text, ok := ev.text(args[0])
			if !ok {
				return "", false
			}
			b.WriteString(text)
		} else if f, ok := args[0].data.(float64); ok && strings.IndexByte("dxX", verb) >= 0 && wholeNumber(f) {
			fmt.Fprintf(&b, "%"+rest[:n+1], int64(f))
		} else {
			return nil, false
		}
		args = args[1:]
	}
	if len(args) > 0 && b.Len() <= maxText {
		return nil, false
	}
	return b.String(), true
}

func join(ev *evaluator, args []value) (any, bool) {
	if len(args) != 2 {
		return nil, false
	}
	sep, ok1 := args[0].data.(string)
	list, ok2 := args[1].data.([]value)
	if !ok1 || !ok2 {
		return nil, false
	}
	var b strings.Builder
	for i, v := range list {
		if i > 0 {
			b.WriteString(sep)
		}
		text, ok := ev.text(v)
		if !ok {
			return "", false
		}
		if b.WriteString(text); b.Len() > maxText {
			break
		}
	}
	return b.String(), true
}

func cased(to func(string) string) func(*evaluator, []value) (any, bool) {
	return func(_ *evaluator, args []value) (any, bool) {
		if len(args) == 1 {
			if text, ok := args[0].data.(string); ok {
				return to(text), true
			}
		}
		return nil, false
	}
}

func extreme(of func(a, b float64) float64) func(*evaluator, []value) (any, bool) {
	return func(_ *evaluator, args []value) (any, bool) {
		if len(args) == 0 {
			return nil, false
		}
		best, ok := args[0].data.(float64)
		for _, v := range args {
			f, isNumber := v.data.(float64)
			ok = ok && isNumber
			best = of(best, f)
		}
		if !ok {
			return nil, false
		}
		return best, true
	}
}

func concat(_ *evaluator, args []value) (any, bool) {
	if len(args) == 0 {
		return nil, false
	}
	out := []value{}
	for _, v := range args {
		list, ok := v.data.([]value)
		if !ok {
			return nil, false
		}
		if out = append(out, list...); len(out) > maxEntries {
			break
		}
	}
	return out, true
}
