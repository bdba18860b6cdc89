package main

import (
	"bytes"
	"context"
	"encoding/json"
	"strings"
	"testing"
)

// Aim: the columns of a plan agree with what it says of each UPS: where the last
// host is down is the latest time in the column, for the agent's own host too,
// which an output block lets go early. Method: the plans of the corpus.
func TestPlanAgreesWithItself(t *testing.T) {
	for _, name := range []string{"first", "loft", "rig", "mill"} {
		var out, errs bytes.Buffer
		Run(context.Background(), []string{"plan", "../../testdata/policies/" + name + ".hcl", "--json", "--history", "none"},
			Streams{In: strings.NewReader(""), Out: &out, Err: &errs, Env: func(string) string { return "" }})
		var v planView
		if err := json.Unmarshal(out.Bytes(), &v); err != nil {
			t.Fatalf("%s: %v: %s", name, err, &errs)
		}
		for _, u := range v.UPSs {
			last := int64(0)
			for _, h := range v.Hosts {
				if len(h.UPSs) == 1 && h.UPSs[0] == u.Name {
					last = max(last, h.DownSeconds)
				}
			}
			if last != u.LastDownSeconds {
				t.Errorf("%s: the last host on %s is down by %d s in the column, by %d s in the text", name, u.Name, last, u.LastDownSeconds)
			}
		}
	}
}
