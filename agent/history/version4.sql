-- Version 4: the air of rooms, by which it is learned how fast one warms. As before,
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
