-- Version 3: what an outage was to each host and to each battery, orders, and
-- conditions, for the report. As before, *_ns is the agent's clock, *_ms the wall's,
-- UTC; NULL is a figure that nobody has. An outage from before has no such rows.

CREATE TABLE outage_host ( -- every host, of outages in which one was asked to stop or lost its power
	outage       INTEGER NOT NULL REFERENCES outage (id),
	host         TEXT NOT NULL,
	priority     INTEGER NOT NULL,
	needs        TEXT NOT NULL,    -- hosts that it depends on or runs on, one a line
	runs_on      TEXT NOT NULL,    -- '' for none
	fed_by       TEXT NOT NULL,    -- UPSs, one a line
	own          INTEGER NOT NULL, -- the agent runs on it
	stays_up     INTEGER NOT NULL, -- it is never stopped
	stops_in_ms  INTEGER NOT NULL, -- what the plan counted on, which may have been measured
	gives_up_ms  INTEGER NOT NULL,
	keep_ms      INTEGER NOT NULL, -- the time on battery promised to it; 0 for none
	plan_stop_ms INTEGER,          -- by the outage's first plan, since the loss of input
	plan_off_ms  INTEGER,
	asked_ns     INTEGER,          -- when it was asked to stop, the last time
	asked_ms     INTEGER,
	was_off      INTEGER,          -- it was off already, by all that was seen
	why          TEXT,             -- why then, and not later
	margin_ms    INTEGER,          -- what the plan had to spare then, after the reserve
	cut_ns       INTEGER,          -- when its power was seen to be gone while it was not known to be off
	cut_ms       INTEGER,
	PRIMARY KEY (outage, host)
) WITHOUT ROWID;

CREATE TABLE outage_ups ( -- what a battery had left when the last of its hosts went off
	outage         INTEGER NOT NULL REFERENCES outage (id),
	ups            TEXT NOT NULL,
	at_ns          INTEGER NOT NULL,
	at_ms          INTEGER NOT NULL,
	host           TEXT NOT NULL,    -- that went off then, or was given up
	load_watts     INTEGER,          -- of the moment before
	low_seconds    INTEGER NOT NULL, -- by the model, at that load; the reserve is part of it
	likely_seconds INTEGER NOT NULL,
	high_seconds   INTEGER NOT NULL,
	reserve_seconds INTEGER NOT NULL,
	model_tenths   INTEGER NOT NULL, -- of a percent: the charge by the model
	own_tenths     INTEGER,          -- the UPS's own charge reading
	own_seconds    INTEGER,          -- its own minutes left
	PRIMARY KEY (outage, ups)
) WITHOUT ROWID;

CREATE TABLE given_order ( -- an operator's
	at_ns   INTEGER PRIMARY KEY,
	at_ms   INTEGER NOT NULL,
	outage  INTEGER NOT NULL, -- its number; 0 outside of one
	word    TEXT NOT NULL,    -- 'hold', 'proceed', 'abort', ...
	by_whom TEXT NOT NULL
);

CREATE TABLE condition (
	raised_ns INTEGER NOT NULL,
	code      TEXT NOT NULL,
	ups       TEXT NOT NULL, -- '' for none
	host      TEXT NOT NULL, -- '' for none
	raised_ms INTEGER NOT NULL,
	over_ns   INTEGER,       -- NULL while it is so
	over_ms   INTEGER,
	outage    INTEGER NOT NULL, -- the number of the one in which it was raised; 0 outside of one
	text      TEXT NOT NULL,
	PRIMARY KEY (raised_ns, code, ups, host)
) WITHOUT ROWID;

CREATE INDEX condition_standing ON condition (code, ups, host) WHERE over_ns IS NULL;

CREATE VIEW outage_hosts AS
SELECT o.number, o.site, h.host, h.priority,
	h.stops_in_ms / 1000.0 AS stops_in_seconds, h.gives_up_ms / 1000.0 AS gives_up_seconds,
	h.plan_stop_ms / 1000.0 AS planned_stop_seconds, h.plan_off_ms / 1000.0 AS planned_off_seconds,
	strftime('%Y-%m-%dT%H:%M:%SZ', h.asked_ms / 1000, 'unixepoch') AS asked_utc,
	round((h.asked_ns - o.began_ns) / 1e9, 1) AS asked_seconds,
	round((coalesce(s.asked_ns, h.asked_ns) + s.took_ms * 1000000 - o.began_ns) / 1e9, 1) AS off_seconds,
	s.took_ms / 1000.0 AS took_seconds, s.ended, h.was_off, h.margin_ms / 1000.0 AS margin_seconds, h.why,
	round((h.cut_ns - o.began_ns) / 1e9, 1) AS cut_seconds
FROM outage_host h JOIN outage o ON o.id = h.outage LEFT JOIN stop s ON s.host = h.host AND s.asked_ns = h.asked_ns
ORDER BY o.began_ns, h.asked_ns IS NULL, h.asked_ns, h.host;

CREATE VIEW outage_margins AS
SELECT o.number, o.site, u.ups, u.host AS last_host,
	strftime('%Y-%m-%dT%H:%M:%SZ', u.at_ms / 1000, 'unixepoch') AS at_utc, round((u.at_ns - o.began_ns) / 1e9, 1) AS at_seconds,
	u.load_watts, u.low_seconds, u.likely_seconds, u.high_seconds, u.reserve_seconds, u.low_seconds - u.reserve_seconds AS margin_seconds,
	u.model_tenths / 10.0 AS charge_percent, u.own_tenths / 10.0 AS own_charge_percent, u.own_seconds AS own_runtime_seconds
FROM outage_ups u JOIN outage o ON o.id = u.outage ORDER BY o.began_ns, u.ups;

CREATE VIEW orders AS
SELECT strftime('%Y-%m-%dT%H:%M:%SZ', at_ms / 1000, 'unixepoch') AS at_utc, outage, word, by_whom FROM given_order ORDER BY at_ns;

CREATE VIEW conditions AS
SELECT strftime('%Y-%m-%dT%H:%M:%SZ', raised_ms / 1000, 'unixepoch') AS raised_utc,
	strftime('%Y-%m-%dT%H:%M:%SZ', over_ms / 1000, 'unixepoch') AS over_utc,
	round((over_ns - raised_ns) / 1e9, 1) AS seconds, code, ups, host, outage, text
FROM condition ORDER BY raised_ns, code, ups, host;
