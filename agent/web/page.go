package web

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"net/http"
)

// hardened lets a page do nothing but show itself. What it says of style is added.
const hardened = "default-src 'none'; img-src data:; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"

// Page shows a page of HTML, which render gives, made at most once a second. Of its own
// style sheets alone it may make use.
func Page(render func() []byte) http.Handler {
	page := Cached(html, render).(*cached)
	page.head = harden
	return page
}

const html = "text/html; charset=utf-8"

// Report shows a page that was written before.
func Report(w http.ResponseWriter, body []byte) {
	w.Header().Set("Content-Type", html)
	harden(body, w.Header())
	w.Write(body) // who has gone away needs no answer
}

func harden(body []byte, h http.Header) {
	h.Set("Content-Security-Policy", hardened+"; style-src"+sheets(body))
}

// sheets gives the digests of a page's style sheets, as a policy of content wants
// them (CSP 3, 8.2); 'none' for none.
func sheets(body []byte) string {
	out := ""
	for {
		_, rest, found := bytes.Cut(body, []byte("<style>"))
		sheet, after, ended := bytes.Cut(rest, []byte("</style>"))
		if !found || !ended {
			break
		}
		sum := sha256.Sum256(sheet)
		out += " 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
		body = after
	}
	if out == "" {
		return " 'none'"
	}
	return out
}
