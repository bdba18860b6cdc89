package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	"ebbline/agent"
	"ebbline/agent/history"
	"ebbline/agent/history/aftermath"
	"ebbline/shutdown"
)

const (
	reportsFolder = "reports" // in the state folder
	reportsKept   = 100       // outages; any report can be made again from the history
	reportsAtOnce = 20
	reportLately  = 24 * time.Hour // an older one is no news
	reportWithin  = 30 * time.Second
)

// conditions are those that stood when the history was told last.
type conditions struct {
	told  bool
	heard []agent.Condition
}

// heard tells the history which conditions are so: those that the core does not know
// of reach it in no other way.
func (m *historian) heard(a *agent.Agent) {
	list, at := a.Conditions()
	if at == 0 || m.held.told && slices.EqualFunc(list, m.held.heard, func(x, y agent.Condition) bool {
		return x.Code == y.Code && x.UPS == y.UPS && x.Host == y.Host && x.Since.Equal(y.Since)
	}) {
		return
	}
	now := history.Moment{At: at, UTC: time.Now().UTC()}
	var so []history.Condition
	for _, c := range list {
		so = append(so, history.Condition{Code: c.Code, UPS: c.UPS, Host: c.Host, Raised: now.When(shutdown.Instant(c.Since.UnixNano())), Text: c.Text})
	}
	if m.writer.RecordStanding(now, so) == nil {
		m.held = conditions{true, list}
	}
}

// reports writes the reports of the outages that ended lately and have none yet, the
// oldest first. Everything of them is in the history by then.
func (m *historian) reports(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, reportWithin)
	defer cancel()
	from, err := history.OpenReader(ctx, m.path)
	if err != nil {
		return // nothing is known yet, or a condition says why
	}
	defer from.Close()
	list, err := from.Outages(ctx, reportsAtOnce)
	if err != nil {
		return
	}
	for i := range list {
		o := &list[i]
		if o.Ended.At == 0 || time.Since(o.Ended.UTC) > reportLately {
			continue
		}
		path, err := m.report(ctx, from, o)
		switch {
		case err != nil:
			m.log.Error("the report of the outage is not written; `ebbline history` makes it", zap.Uint32("outage", o.Number), zap.Error(err))
		case path != "":
			m.log.Info("the report of the outage is written", zap.Uint32("outage", o.Number), zap.String("page", path))
		}
	}
}

// report tells of an outage and writes its text and page; "" where they are there
// already. Who is killed between the two tells again, and what a full disk does not
// take is told all the same.
func (m *historian) report(ctx context.Context, from *history.Reader, o *history.Outage) (string, error) {
	stamp := aftermath.Stamp(o.Began)
	folder := filepath.Join(filepath.Dir(m.path), reportsFolder)
	name := filepath.Join(folder, fmt.Sprintf("%s-outage-%d", strings.NewReplacer(":", "", "-", "").Replace(stamp), o.Number))
	if _, err := os.Stat(name + ".html"); err == nil {
		return "", nil
	}
	text, page, err := outagePapers(ctx, from, stamp, time.Now())
	if err != nil {
		return "", err
	}
	if m.reported != nil && m.last != o.Number {
		m.last = o.Number
		m.reported(o, text, page)
	}
	if err := os.Mkdir(folder, 0o750); err != nil && !os.IsExist(err) {
		return "", fmt.Errorf("the folder %s cannot be made: %w", folder, reason(err))
	}
	// The page last: where it is, all is.
	for _, x := range []struct {
		path string
		text []byte
	}{{name + ".txt", []byte(text)}, {name + ".html", page}} {
		p, err := newPaper(x.path)
		if err != nil {
			return "", err
		}
		if err := p.put(func(w io.Writer) error { _, err := w.Write(x.text); return err }); err != nil {
			return "", err
		}
	}
	return name + ".html", forgetReports(folder)
}

// forgetReports lets the oldest reports go. Their names sort by time.
func forgetReports(folder string) error {
	for _, end := range []string{".txt", ".html"} {
		all, err := filepath.Glob(filepath.Join(folder, "*Z-outage-*"+end))
		if err != nil {
			return err
		}
		slices.Sort(all)
		for _, old := range all[:max(0, len(all)-reportsKept)] {
			if err := os.Remove(old); err != nil {
				return err
			}
		}
	}
	return nil
}
