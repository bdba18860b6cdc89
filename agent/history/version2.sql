-- Version 2: the input and the lines, for the survey. As in version 1, *_ns is the
-- agent's clock, *_ms the wall's, UTC; NULL is a figure that nobody has.

-- One row a minute; the oldest are the first to go when room is short.
CREATE TABLE input_minute (
	at_ns       INTEGER NOT NULL, -- its beginning
	ups         TEXT NOT NULL,
	at_ms       INTEGER NOT NULL,
	readings    INTEGER NOT NULL,
	low_tenths  INTEGER, -- of a volt: the worst line's
	mean_tenths INTEGER,
	high_tenths INTEGER,
	hertz_hundredths INTEGER,
	line_bads   INTEGER, -- upsInputLineBads: the UPS's own count since it started
	PRIMARY KEY (at_ns, ups)
) WITHOUT ROWID;

CREATE TABLE input_event ( -- a sag, swell or interruption as polls saw it
	began_ns       INTEGER NOT NULL,
	ups            TEXT NOT NULL,
	swell          INTEGER NOT NULL,
	began_ms       INTEGER NOT NULL,
	lasted_ms      INTEGER NOT NULL,
	nominal_volts  REAL NOT NULL,
	percent        REAL NOT NULL, -- of nominal: the lowest, of a swell the highest
	without_ms     INTEGER NOT NULL, -- below 10 %
	trips          INTEGER NOT NULL,
	readings       INTEGER NOT NULL,
	open           INTEGER NOT NULL, -- it lasted at least so long
	PRIMARY KEY (began_ns, ups, swell)
) WITHOUT ROWID;

CREATE TABLE line_reading ( -- every quarter of an hour
	at_ns    INTEGER NOT NULL,
	ups      TEXT NOT NULL,
	side     TEXT NOT NULL,    -- 'input' or 'output'
	line     INTEGER NOT NULL, -- from 1
	at_ms    INTEGER NOT NULL,
	volts    REAL,
	amps     REAL,
	watts    REAL,
	percent  REAL,             -- of its capacity, by the UPS's word
	PRIMARY KEY (at_ns, ups, side, line)
) WITHOUT ROWID;

CREATE VIEW input_minutes AS
SELECT strftime('%Y-%m-%dT%H:%M:%SZ', at_ms / 1000, 'unixepoch') AS at_utc, ups, readings,
	low_tenths / 10.0 AS low_volts, mean_tenths / 10.0 AS mean_volts, high_tenths / 10.0 AS high_volts,
	hertz_hundredths / 100.0 AS hertz, line_bads
FROM input_minute ORDER BY at_ns, ups;

CREATE VIEW input_events AS
SELECT strftime('%Y-%m-%dT%H:%M:%SZ', began_ms / 1000, 'unixepoch') AS began_utc, ups, lasted_ms / 1000.0 AS seconds,
	percent, nominal_volts, CASE WHEN swell THEN 'swell' ELSE 'sag' END AS kind, without_ms / 1000.0 AS without_voltage_seconds,
	trips, readings, open AS at_least
FROM input_event ORDER BY began_ns, ups;

CREATE VIEW line_readings AS
SELECT strftime('%Y-%m-%dT%H:%M:%SZ', at_ms / 1000, 'unixepoch') AS at_utc, ups, side, line, volts, amps, watts, round(volts * amps, 1) AS va, percent
FROM line_reading ORDER BY at_ns, ups, side, line;
