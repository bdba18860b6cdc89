-- Version 1. Tables are singular and for programs; views are plural and for
-- people. An *_ns is the agent's clock in nanoseconds, an *_ms the wall's, UTC,
-- in milliseconds since 1970. NULL is a figure that nobody has. Without rowid,
-- the columns of the primary key come first and in order: the integrity check of
-- sqlite3 3.40, which Debian 12 has, else finds NULLs that are not there.

CREATE TABLE outage ( -- ebbline history
	id       INTEGER PRIMARY KEY,
	number   INTEGER NOT NULL,
	site     TEXT NOT NULL,
	began_ns INTEGER NOT NULL,
	began_ms INTEGER NOT NULL,
	ended_ns INTEGER, -- NULL while it is on
	ended_ms INTEGER,
	UNIQUE (site, number, began_ns)
);

CREATE TABLE outage_input ( -- once for each time that a UPS lost its input in it
	outage  INTEGER NOT NULL REFERENCES outage (id),
	ups     TEXT NOT NULL,
	lost_ns INTEGER NOT NULL,
	lost_ms INTEGER NOT NULL,
	back_ns INTEGER, -- NULL while it is away
	back_ms INTEGER,
	PRIMARY KEY (outage, ups, lost_ns)
) WITHOUT ROWID;

CREATE TABLE outage_phase (
	outage     INTEGER NOT NULL REFERENCES outage (id),
	ups        TEXT NOT NULL,
	entered_ns INTEGER NOT NULL,
	phase      TEXT NOT NULL,
	entered_ms INTEGER NOT NULL,
	PRIMARY KEY (outage, ups, entered_ns, phase)
) WITHOUT ROWID;

-- The oldest of during = 1 go first when room is short, then those of 2 and 3.
CREATE TABLE sample (
	during               INTEGER NOT NULL, -- 1 normal, 2 outage, 3 test
	at_ns                INTEGER NOT NULL,
	ups                  TEXT NOT NULL,
	at_ms                INTEGER NOT NULL,
	source               TEXT,
	input                TEXT,
	battery              TEXT,
	testing              INTEGER NOT NULL,
	load_watts           INTEGER,
	charge_tenths        INTEGER, -- of a percent
	runtime_seconds      INTEGER, -- the UPS's own estimate
	low_seconds          INTEGER,
	on_battery_seconds   INTEGER,
	battery_millivolts   INTEGER,
	battery_tenths_c     INTEGER,
	input_tenths_of_volt INTEGER,
	PRIMARY KEY (during, at_ns, ups)
) WITHOUT ROWID;

CREATE TABLE test (
	id                 INTEGER PRIMARY KEY,
	ups                TEXT NOT NULL,
	began_ns           INTEGER NOT NULL,
	began_ms           INTEGER NOT NULL,
	seen_ns            INTEGER NOT NULL, -- of the last reading written here
	seen_ms            INTEGER NOT NULL,
	ended_ns           INTEGER, -- NULL while it runs, or when the agent ended before it
	ended_ms           INTEGER,
	forecast_ns        INTEGER, -- never after began_ns
	forecast_ms        INTEGER,
	forecast_by        TEXT,
	forecast_basis     TEXT,
	forecast_watts     INTEGER,
	forecast_tenths    INTEGER, -- the charge that it starts from
	low_seconds        INTEGER,
	likely_seconds     INTEGER,
	high_seconds       INTEGER,
	load_watts         INTEGER, -- mean
	least_watts        INTEGER,
	most_watts         INTEGER,
	charge_tenths      INTEGER, -- at the start
	end_charge_tenths  INTEGER,
	end_millivolts     INTEGER,
	battery_tenths_c   INTEGER, -- at the start
	ambient_tenths_c   INTEGER,
	battery_age_days   INTEGER,
	stop               TEXT, -- what ended it
	measured_ms        INTEGER NOT NULL, -- on battery, so far
	capacity_tenths    INTEGER, -- percent of rated, by the rate method
	ratio_permille     INTEGER, -- measured over likely
	censored           INTEGER NOT NULL, -- measured_ms is only a lower bound
	weak               TEXT NOT NULL, -- reasons, one a line; '' for none
	UNIQUE (ups, began_ns)
);

CREATE TABLE test_segment (
	test    INTEGER NOT NULL REFERENCES test (id),
	n       INTEGER NOT NULL, -- from 0
	watts   REAL NOT NULL,
	seconds REAL NOT NULL,
	PRIMARY KEY (test, n)
) WITHOUT ROWID;

CREATE TABLE prediction (
	made_ns         INTEGER NOT NULL,
	ups             TEXT NOT NULL,
	made_by         TEXT NOT NULL,
	made_ms         INTEGER NOT NULL,
	basis           TEXT NOT NULL,
	load_watts      INTEGER,
	charge_tenths   INTEGER,
	low_seconds     INTEGER NOT NULL, -- from then to the end of the battery
	likely_seconds  INTEGER NOT NULL,
	high_seconds    INTEGER NOT NULL,
	outcome         TEXT, -- 'measured' or 'at_least'; NULL while nobody knows
	outcome_seconds INTEGER,
	PRIMARY KEY (made_ns, ups, made_by)
) WITHOUT ROWID;

CREATE TABLE stop (
	host     TEXT NOT NULL,
	asked_ns INTEGER NOT NULL,
	asked_ms INTEGER NOT NULL,
	outage   INTEGER NOT NULL, -- its number; 0 outside of one
	method   TEXT NOT NULL,
	took_ms  INTEGER NOT NULL, -- asked to proven down
	ended    TEXT NOT NULL,    -- 'clean', 'forced' or 'given_up'
	PRIMARY KEY (host, asked_ns)
) WITHOUT ROWID;

CREATE TABLE start (
	host    TEXT NOT NULL,
	told_ns INTEGER NOT NULL,
	told_ms INTEGER NOT NULL,
	outage  INTEGER NOT NULL,
	method  TEXT NOT NULL,
	took_ms INTEGER NOT NULL, -- told to answering again, or to being given up
	ended   TEXT NOT NULL,    -- 'back' or 'given_up'
	PRIMARY KEY (host, told_ns)
) WITHOUT ROWID;

CREATE TABLE draw (
	host        TEXT NOT NULL,
	ups         TEXT NOT NULL,
	at_ns       INTEGER NOT NULL,
	at_ms       INTEGER NOT NULL,
	change      TEXT NOT NULL,    -- 'stopped' or 'started'
	watts       INTEGER NOT NULL, -- the step in the UPS's load, without its sign
	noise_watts INTEGER NOT NULL, -- how far the load wandered by itself about then
	quality     TEXT NOT NULL,    -- 'clear' or 'shared'
	PRIMARY KEY (host, ups, at_ns)
) WITHOUT ROWID;

CREATE VIEW outages AS
SELECT o.number, o.site,
	strftime('%Y-%m-%dT%H:%M:%SZ', o.began_ms / 1000, 'unixepoch') AS began_utc,
	strftime('%Y-%m-%dT%H:%M:%SZ', o.ended_ms / 1000, 'unixepoch') AS ended_utc,
	round((o.ended_ns - o.began_ns) / 1e9, 1) AS seconds,
	i.ups,
	strftime('%Y-%m-%dT%H:%M:%SZ', i.lost_ms / 1000, 'unixepoch') AS lost_utc,
	strftime('%Y-%m-%dT%H:%M:%SZ', i.back_ms / 1000, 'unixepoch') AS back_utc,
	round((i.back_ns - i.lost_ns) / 1e9, 1) AS without_input_seconds
FROM outage o LEFT JOIN outage_input i ON i.outage = o.id
ORDER BY o.began_ns, i.lost_ns, i.ups;

CREATE VIEW phases AS
SELECT o.number, o.site, p.ups, p.phase,
	strftime('%Y-%m-%dT%H:%M:%SZ', p.entered_ms / 1000, 'unixepoch') AS entered_utc,
	round((p.entered_ns - o.began_ns) / 1e9, 1) AS seconds_since_loss
FROM outage_phase p JOIN outage o ON o.id = p.outage
ORDER BY o.began_ns, p.entered_ns, p.ups;

CREATE VIEW samples AS
SELECT strftime('%Y-%m-%dT%H:%M:%SZ', at_ms / 1000, 'unixepoch') AS at_utc, ups,
	CASE during WHEN 1 THEN 'normal' WHEN 2 THEN 'outage' ELSE 'test' END AS during,
	source, input, battery, testing, load_watts, charge_tenths / 10.0 AS charge_percent,
	runtime_seconds AS own_runtime_seconds, on_battery_seconds,
	battery_millivolts / 1000.0 AS battery_volts, battery_tenths_c / 10.0 AS battery_celsius,
	input_tenths_of_volt / 10.0 AS input_volts
FROM sample
ORDER BY at_ns, ups;

CREATE VIEW tests AS
SELECT ups,
	strftime('%Y-%m-%dT%H:%M:%SZ', began_ms / 1000, 'unixepoch') AS began_utc,
	strftime('%Y-%m-%dT%H:%M:%SZ', ended_ms / 1000, 'unixepoch') AS ended_utc,
	CASE WHEN ended_ns IS NULL THEN 'unfinished' ELSE stop END AS stop,
	measured_ms / 1000.0 AS measured_seconds,
	low_seconds AS predicted_low_seconds, likely_seconds AS predicted_likely_seconds, high_seconds AS predicted_high_seconds,
	forecast_watts AS predicted_at_watts, forecast_basis AS predicted_from,
	load_watts, least_watts, most_watts, charge_tenths / 10.0 AS charge_percent,
	end_charge_tenths / 10.0 AS end_charge_percent, end_millivolts / 1000.0 AS end_volts,
	battery_tenths_c / 10.0 AS battery_celsius, ambient_tenths_c / 10.0 AS ambient_celsius, battery_age_days,
	capacity_tenths / 10.0 AS capacity_percent, ratio_permille / 1000.0 AS measured_over_likely,
	censored, replace(weak, char(10), '; ') AS weak
FROM test
ORDER BY began_ns, ups;

CREATE VIEW predictions AS
SELECT ups, made_ns, made_ms, made_by, 'outage' AS occasion, basis, load_watts, charge_tenths,
	low_seconds, likely_seconds, high_seconds, outcome, outcome_seconds
FROM prediction
UNION ALL
SELECT ups, forecast_ns, forecast_ms, forecast_by, 'test', forecast_basis, forecast_watts, forecast_tenths,
	low_seconds, likely_seconds, high_seconds,
	CASE WHEN ended_ns IS NULL THEN NULL WHEN censored THEN 'at_least' ELSE 'measured' END,
	CASE WHEN ended_ns IS NOT NULL THEN measured_ms / 1000 END
FROM test WHERE forecast_ns IS NOT NULL;

CREATE VIEW predictions_scored AS
SELECT ups, strftime('%Y-%m-%dT%H:%M:%SZ', made_ms / 1000, 'unixepoch') AS made_utc,
	made_by, occasion, basis, load_watts, charge_tenths / 10.0 AS charge_percent,
	low_seconds, likely_seconds, high_seconds, outcome, outcome_seconds,
	CASE WHEN outcome = 'measured' AND likely_seconds > 0 THEN round(1.0 * outcome_seconds / likely_seconds, 3) END AS measured_over_likely,
	CASE WHEN outcome_seconds >= low_seconds THEN 1 WHEN outcome = 'measured' THEN 0 END AS low_held,
	CASE WHEN outcome = 'measured' THEN outcome_seconds BETWEEN low_seconds AND high_seconds END AS inside
FROM predictions
ORDER BY made_ns, ups;

CREATE VIEW stopping_times AS
SELECT host, strftime('%Y-%m-%dT%H:%M:%SZ', asked_ms / 1000, 'unixepoch') AS asked_utc, outage, method,
	took_ms / 1000.0 AS seconds, ended
FROM stop
ORDER BY host, asked_ns;

CREATE VIEW starts AS
SELECT host, strftime('%Y-%m-%dT%H:%M:%SZ', told_ms / 1000, 'unixepoch') AS told_utc, outage, method,
	took_ms / 1000.0 AS seconds, ended
FROM start
ORDER BY host, told_ns;

CREATE VIEW draws AS
SELECT host, ups, strftime('%Y-%m-%dT%H:%M:%SZ', at_ms / 1000, 'unixepoch') AS at_utc, change, watts, noise_watts, quality
FROM draw
ORDER BY host, ups, at_ns;
