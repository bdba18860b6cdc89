-- Version 4: hosts that were only watched, and the air of rooms.

-- Of a host that was only watched asked_ns and asked_ms are when each
-- would have been asked to stop; nothing was done to it.

ALTER TABLE outage_host ADD COLUMN observed INTEGER NOT NULL DEFAULT 0;

DROP VIEW outage_hosts; -- it holds nothing; made anew, so that a host that was only watched is not taken for one that was asked

CREATE VIEW outage_hosts AS
SELECT o.number, o.site, h.host, h.priority,
	h.stops_in_ms / 1000.0 AS stops_in_seconds, h.gives_up_ms / 1000.0 AS gives_up_seconds,
	h.plan_stop_ms / 1000.0 AS planned_stop_seconds, h.plan_off_ms / 1000.0 AS planned_off_seconds,
	CASE WHEN NOT h.observed THEN strftime('%Y-%m-%dT%H:%M:%SZ', h.asked_ms / 1000, 'unixepoch') END AS asked_utc,
	CASE WHEN NOT h.observed THEN round((h.asked_ns - o.began_ns) / 1e9, 1) END AS asked_seconds,
	round((coalesce(s.asked_ns, h.asked_ns) + s.took_ms * 1000000 - o.began_ns) / 1e9, 1) AS off_seconds,
	s.took_ms / 1000.0 AS took_seconds, s.ended, h.was_off, h.margin_ms / 1000.0 AS margin_seconds, h.why,
	round((h.cut_ns - o.began_ns) / 1e9, 1) AS cut_seconds, h.observed,
	CASE WHEN h.observed THEN round((h.asked_ns - o.began_ns) / 1e9, 1) END AS would_be_asked_seconds
FROM outage_host h JOIN outage o ON o.id = h.outage LEFT JOIN stop s ON s.host = h.host AND s.asked_ns = h.asked_ns
ORDER BY o.began_ns, h.asked_ns IS NULL, h.asked_ns, h.host;

-- The air of rooms, by which it is learned how fast one warms. As before,
-- *_ns is the agent's clock, *_ms the wall's, UTC.

-- While it moves a row a minute at the most, else one a quarter of an hour; the oldest
-- are the first to go when room is short.
CREATE TABLE room_reading (
	at_ns  INTEGER NOT NULL,
	sensor TEXT NOT NULL,    -- the policy's name of the temperature
	at_ms  INTEGER NOT NULL,
	tenths INTEGER NOT NULL, -- of a degree Celsius
	watts  INTEGER NOT NULL, -- that warmed the room then: its hosts' UPSs and what these carried
	PRIMARY KEY (at_ns, sensor)
) WITHOUT ROWID;

CREATE VIEW room_readings AS
SELECT strftime('%Y-%m-%dT%H:%M:%SZ', at_ms / 1000, 'unixepoch') AS at_utc, sensor, tenths / 10.0 AS celsius, watts
FROM room_reading ORDER BY at_ns, sensor;
