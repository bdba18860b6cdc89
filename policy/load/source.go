package load

import (
	"bytes"
	"cmp"
	"slices"
	"unicode/utf8"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
)

// Most that is read of a file and of all of a policy's.
const (
	MaxFileBytes   = 4 << 20
	MaxPolicyBytes = 16 << 20
)

// Bounds on a file. The parser and whoever walks its tree call themselves for
// every level, and it takes time that grows with the square of a number's digits
// and of the pieces that the scanner makes of a text (a line of a heredoc, a
// "$$"): all are bounded on the tokens, before anything is parsed.
const (
	maxNesting     = 50
	maxOperators   = 1000 // the language has none but the minus of a number
	maxPieces      = 1000
	maxNumberBytes = 40
)

// item is one block at the top of a file. In a broken one something could not
// be parsed: its name counts, its contents do not.
type item struct {
	*hclsyntax.Block
	broken bool
}

// source is one file, parsed.
type source struct {
	file       File
	site       string // whose file it is; "" when it is shared by all
	items      []item
	loose      []*hclsyntax.Attribute // at the top of the file, where none belongs
	incomplete bool                   // something in it has not even a name
	report
}

// parse reads one file. Each block at its top is parsed by itself, because the
// parser reports one syntax error and is silent about the next.
func parse(f File) *source {
	s := &source{file: f}
	if d := unreadable(f); d != nil {
		s.add(d)
		s.incomplete = true
		return s
	}
	tokens, _ := hclsyntax.LexConfig(f.Bytes, f.Name, hcl.InitialPos)
	if d := dangerous(tokens); d != nil {
		s.add(d)
		s.incomplete = true
		return s
	}
	for _, part := range split(tokens) {
		if s.full(hcl.DiagError) {
			s.incomplete = true
			break
		}
		s.parsePart(part)
	}
	for _, it := range s.items {
		switch {
		case it.Type != "site" || len(it.Labels) == 0:
		case s.site == "":
			s.site = it.Labels[0]
		default:
			s.err(place{it.DefRange(), it.Range()}, duplicateBlock, "A file has one site at most. Move this one into a file of its own.")
		}
	}
	return s
}

func (s *source) parsePart(part hcl.Range) {
	parsed, diags := hclsyntax.ParseConfig(s.file.Bytes[part.Start.Byte:part.End.Byte], s.file.Name, part.Start)
	// What follows a first mistake is mostly its echo: a quote that is not closed
	// turns every text behind it inside out.
	if len(diags) > 0 {
		s.add(plainSyntax(slices.MinFunc(diags, func(a, b *hcl.Diagnostic) int {
			return cmp.Compare(start(a).Start.Byte, start(b).Start.Byte)
		})))
	}
	body := parsed.Body.(*hclsyntax.Body)
	for _, b := range body.Blocks {
		s.items = append(s.items, item{b, diags.HasErrors()})
	}
	stray := s.file.Bytes[part.Start.Byte] == '}' // declares nothing
	s.incomplete = s.incomplete || diags.HasErrors() && len(body.Blocks) == 0 && !stray
	if !diags.HasErrors() {
		s.loose = append(s.loose, inOrder(body.Attributes)...)
	}
}

// unreadable says why a file is not looked into at all.
func unreadable(f File) *hcl.Diagnostic {
	var r report
	p := place{at: position(f, 0)}
	if len(f.Bytes) > MaxFileBytes {
		r.err(p, fileTooLarge, "The file has %d bytes; a policy file has at most %d. Give ebbline a policy, or split this one into several files of a folder.", len(f.Bytes), MaxFileBytes)
	} else if at := badUTF8(f.Bytes); at >= 0 {
		p.at = position(f, at)
		hint := "Save the file as UTF-8 in your editor."
		if bytes.HasPrefix(f.Bytes, []byte("\xff\xfe")) || bytes.HasPrefix(f.Bytes, []byte("\xfe\xff")) {
			hint = "It seems to be UTF-16. " + hint
		}
		r.err(p, notUTF8, "The byte at offset %d is not UTF-8. %s", at, hint)
	} else if at := bytes.IndexByte(f.Bytes, 0); at >= 0 {
		p.at = position(f, at)
		r.err(p, nulByte, "The byte at offset %d is zero, which no text has. Check that this is the policy file, and restore it from a copy if it was damaged.", at)
	} else if len(bytes.TrimSpace(bytes.TrimPrefix(f.Bytes, []byte("\ufeff")))) == 0 {
		r.err(p, fileEmpty, "The file holds nothing. Write a policy into it (`ebbline init` writes a first one), or remove it from the folder.")
	}
	if len(r.diags) == 0 {
		return nil
	}
	return r.diags[0]
}

// badUTF8 gives the offset of the first byte that is not UTF-8, or -1.
func badUTF8(b []byte) int {
	if utf8.Valid(b) {
		return -1
	}
	for i := 0; i < len(b); {
		r, n := utf8.DecodeRune(b[i:])
		if r == utf8.RuneError && n == 1 {
			return i
		}
		i += n
	}
	return -1
}

// position gives line and column of a byte.
func position(f File, at int) hcl.Range {
	line := bytes.LastIndexByte(f.Bytes[:at], '\n') + 1
	p := hcl.Pos{
		Line:   1 + bytes.Count(f.Bytes[:at], []byte("\n")),
		Column: 1 + utf8.RuneCount(f.Bytes[line:at]),
		Byte:   at,
	}
	return hcl.Range{Filename: f.Name, Start: p, End: p}
}

// dangerous says why the tokens of a file are not given to the parser.
func dangerous(tokens hclsyntax.Tokens) *hcl.Diagnostic {
	depth, operators, pieces := 0, 0, 0
	var before hclsyntax.TokenType
	for i := range tokens {
		t := &tokens[i]
		switch {
		case opens(t.Type):
			depth++
			if t.Type == hclsyntax.TokenTemplateControl || t.Type == hclsyntax.TokenOBrack && endsTerm(before) {
				operators++
			}
		case closes(t.Type):
			depth = max(0, depth-1)
		case t.Type == hclsyntax.TokenMinus && !operator(before) && !endsTerm(before):
			// The sign of a number.
		case operator(t.Type):
			operators++
		}
		before = t.Type
		if pieces++; t.Type != hclsyntax.TokenQuotedLit && t.Type != hclsyntax.TokenStringLit {
			pieces = 0
		}
		long := t.Type == hclsyntax.TokenNumberLit && len(t.Bytes) > maxNumberBytes
		if depth <= maxNesting && operators <= maxOperators && pieces <= maxPieces && !long {
			continue
		}
		var r report
		p := place{at: t.Range}
		switch {
		case long:
			r.err(p, outOfRange, "This number has %d characters; no number in a policy needs more than %d. Write it shorter.", len(t.Bytes), maxNumberBytes)
		case pieces > maxPieces:
			r.err(p, valueTooLong, "This text has more than %d lines or escaped characters. A text in a policy is one line: write a shorter one.", maxPieces)
		case depth > maxNesting:
			r.err(p, tooDeep, "Brackets and braces are nested more than %d deep here. A policy needs six at most: look for one that is not closed.", maxNesting)
		default:
			r.err(p, notInLanguage, "The file holds more than %d operators, and the language has none. Write the values themselves.", maxOperators)
		}
		return r.diags[0]
	}
	return nil
}

func opens(t hclsyntax.TokenType) bool {
	switch t {
	case hclsyntax.TokenOBrace, hclsyntax.TokenOBrack, hclsyntax.TokenOParen,
		hclsyntax.TokenTemplateInterp, hclsyntax.TokenTemplateControl:
		return true
	}
	return false
}

func closes(t hclsyntax.TokenType) bool {
	switch t {
	case hclsyntax.TokenCBrace, hclsyntax.TokenCBrack, hclsyntax.TokenCParen, hclsyntax.TokenTemplateSeqEnd:
		return true
	}
	return false
}

// endsTerm says that a bracket after this token is an index, and a minus a
// subtraction.
func endsTerm(t hclsyntax.TokenType) bool {
	switch t {
	case hclsyntax.TokenIdent, hclsyntax.TokenNumberLit, hclsyntax.TokenCQuote,
		hclsyntax.TokenCBrack, hclsyntax.TokenCBrace, hclsyntax.TokenCParen, hclsyntax.TokenStar:
		return true
	}
	return false
}

// operator says that each such token may make the tree of an expression one
// level deeper.
func operator(t hclsyntax.TokenType) bool {
	switch t {
	case hclsyntax.TokenPlus, hclsyntax.TokenMinus, hclsyntax.TokenStar, hclsyntax.TokenSlash,
		hclsyntax.TokenPercent, hclsyntax.TokenBang, hclsyntax.TokenAnd, hclsyntax.TokenOr,
		hclsyntax.TokenEqualOp, hclsyntax.TokenNotEqual, hclsyntax.TokenLessThan, hclsyntax.TokenLessThanEq,
		hclsyntax.TokenGreaterThan, hclsyntax.TokenGreaterThanEq, hclsyntax.TokenQuestion, hclsyntax.TokenDoubleColon:
		return true
	}
	return false
}

// split gives the range of each block at the top of a file. The name of such a
// block in the first column begins one even when an earlier block is still
// open: so the error is about the block whose brace is missing, not about the
// end of the file.
func split(tokens hclsyntax.Tokens) []hcl.Range {
	var parts []hcl.Range
	begun, depth, fresh := false, 0, true // fresh: at the start of a line
	for i := range tokens {
		t := &tokens[i]
		ends := t.Type == hclsyntax.TokenNewline || t.Type == hclsyntax.TokenComment && bytes.HasSuffix(t.Bytes, []byte("\n"))
		if depth > 0 && fresh && t.Range.Start.Column == 1 && beginsItem(tokens, i) {
			begun, depth = false, 0
		}
		switch {
		case t.Type == hclsyntax.TokenEOF:
			return parts
		case opens(t.Type):
			depth++
		case closes(t.Type):
			depth = max(0, depth-1)
		}
		if begun {
			parts[len(parts)-1].End = t.Range.End
			begun = depth > 0 || !ends
		} else if t.Type != hclsyntax.TokenNewline && t.Type != hclsyntax.TokenComment {
			parts = append(parts, t.Range)
			begun = true
		}
		fresh = ends
	}
	return parts
}

func beginsItem(tokens hclsyntax.Tokens, i int) bool {
	if tokens[i].Type != hclsyntax.TokenIdent || i+1 == len(tokens) {
		return false
	}
	next := tokens[i+1].Type
	return policyShape.blocks[string(tokens[i].Bytes)] != nil &&
		(next == hclsyntax.TokenOQuote || next == hclsyntax.TokenOBrace || next == hclsyntax.TokenIdent)
}

// plainSyntax puts a parser's error into our words. The parser's own are not
// used, for some of them quote a piece of the line: it may be of a password.
func plainSyntax(d *hcl.Diagnostic) *hcl.Diagnostic {
	summary, detail := syntaxError, ""
	switch d.Summary {
	case "Attribute redefined":
		summary = duplicateAttr
		detail = "This attribute is given twice in one block. Remove one of them."
	case "Missing newline after argument", "Unexpected comma after argument":
		detail = "The line must end after the value of an attribute. Write each attribute on a line of its own, with no comma between them, and both quotes of a text."
	case "Invalid single-argument block definition", "Argument definition required":
		detail = "A block on one line holds one attribute at most. Write the braces and each attribute on lines of their own."
	case "Unclosed configuration block", "Unclosed configuration body":
		detail = "The block that begins here is not closed. Write its \"}\"."
	case "Argument or block definition required", "Invalid argument name":
		detail = "An attribute (name = value) or a block (name { ... }) is expected here. Look for a missing \"=\", or a \"}\" too many."
	case "Invalid block definition", "Missing newline after block definition":
		detail = "A block is written as kind \"name\" { on one line, its attributes below, and a \"}\" on a line of its own; an attribute is name = value."
	case "Invalid multi-line string", "Unterminated string literal", "Unterminated template string":
		detail = "The text that begins on this line is not closed. Write the closing quote on the same line."
	case "Invalid escape sequence":
		detail = "After a backslash only n, r, t, a quote, a backslash, u and U may stand. Write two backslashes for one."
	case "Invalid template directive", "Invalid template control keyword", "Extra characters after interpolation expression",
		"Unclosed template interpolation sequence", "Invalid string literal", "Unexpected end of template":
		detail = "\"${\" and \"%{\" begin a template in a text. Write \"$${\" or \"%%{\" for these characters themselves."
	case "Invalid character", "Invalid character encoding":
		detail = "This character has no meaning here. Use straight double quotes for text, \"#\" for comments, and a new line between attributes."
	case "Missing item separator", "Unterminated tuple constructor expression":
		detail = "A list is written as [\"a\", \"b\"], with commas. Look for a missing comma or \"]\"."
	case "Missing attribute separator", "Missing key/value separator", "Unterminated object constructor expression", "Missing attribute value":
		detail = "A map is written as { \"key\" = value, \"key\" = value }. Look for a missing comma, \"=\" or \"}\"."
	case "Missing argument separator", "Unterminated function call", "Missing closing parenthesis", "Unbalanced parentheses":
		detail = "A function is written as name(value, value). Look for a missing comma or \")\"."
	case "Missing expression", "Invalid expression", "Invalid number literal":
		detail = "A value is expected here: a \"text\", a number, true or false, a [list], a { map } or a function."
	default:
		detail = "A policy is made of blocks, kind \"name\" { ... }, and in them attributes, name = value, each on a line of its own. Mend this line."
	}
	out := *d
	out.Severity, out.Summary, out.Detail = hcl.DiagError, summary, detail
	out.Expression, out.EvalContext, out.Extra = nil, nil, nil
	return &out
}
