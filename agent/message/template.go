package message

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"regexp"
	"strconv"
	"strings"
	"text/template"
	"time"

	"ebbline/agent"
	"ebbline/policy"
)

const (
	jsonType = "application/json"
	mostBody = 1 << 20
)

var functions = template.FuncMap{
	// json writes a value as JSON, quotes included.
	"json": func(v any) (string, error) {
		text, err := json.Marshal(v)
		return string(text), err
	},
	"upper": strings.ToUpper,
}

func parse(text string) (*template.Template, error) {
	return template.New("template").Funcs(functions).Option("missingkey=error").Parse(text)
}

// fill gives what a template makes of a message.
func fill(t *template.Template, m *Message) ([]byte, error) {
	var b bounded
	if err := t.Execute(&b, m); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

type bounded struct{ bytes.Buffer }

func (b *bounded) Write(p []byte) (int, error) {
	if b.Len()+len(p) > mostBody {
		return 0, fmt.Errorf("it makes more than %d bytes", mostBody)
	}
	return b.Buffer.Write(p)
}

// place is how text/template names a line in its errors.
var place = regexp.MustCompile(`template: template:(\d+)(?::\d+)?: (?:executing "template" at )?`)

// CheckTemplate says what is wrong with a template, and in which of its lines,
// counted from 1: it is tried with two messages, one of them full of what JSON
// must not hold bare.
func CheckTemplate(text, contentType string) (line int, err error) {
	t, err := parse(text)
	for _, m := range samples() {
		var body []byte
		if err == nil {
			body, err = fill(t, &m)
		}
		if err != nil {
			line = 1
			if found := place.FindStringSubmatch(err.Error()); found != nil {
				line, _ = strconv.Atoi(found[1])
			}
			return line, errors.New(strings.TrimSuffix(place.ReplaceAllString(err.Error(), ""), " in type *message.Message"))
		}
		if media, _, _ := mime.ParseMediaType(contentType); (contentType == "" || media == jsonType) && !json.Valid(body) {
			return 1, errors.New("it does not make JSON of every text. Write {{json .Text}} where a text stands, without quotes around it, or say content_type = \"text/plain\"")
		}
	}
	return 0, nil
}

func samples() []Message {
	lost := of(agent.News{At: time.Unix(1e9, 0), Change: agent.Happened, Code: agent.InputLost, Severity: policy.Warning, UPS: "rack", Text: "UPS rack: on battery; riding through", Outage: 1}, "barn")
	odd := of(agent.News{At: time.Unix(1e9, 0), Change: agent.Raised, Code: "host-refuses", Severity: policy.Critical, Host: "vault", Text: `vault says "no" \ and more.`, Outage: 1}, "barn")
	odd.Attachments = []Attachment{{"outage-1.txt", "text/plain", "a\nb\"c\""}}
	return []Message{lost, odd}
}
