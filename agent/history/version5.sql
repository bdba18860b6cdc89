-- Version 5: what the agent ordered beside stops and starts: outputs of UPSs switched,
-- early steps of hosts. As before, *_ns is the agent's clock, *_ms the wall's, UTC.

CREATE TABLE agent_action (
	at_ns    INTEGER NOT NULL,
	code     TEXT NOT NULL,    -- 'early-step', 'output-goes-off' or 'output-stays-on'
	ups      TEXT NOT NULL,    -- '' for none
	host     TEXT NOT NULL,    -- '' for none
	at_ms    INTEGER NOT NULL,
	outage   INTEGER NOT NULL, -- its number; 0 outside of one
	text     TEXT NOT NULL,    -- what was told then, with the hosts that might still run
	ended_ns INTEGER,          -- NULL while it is not known what came of it
	ended_ms INTEGER,
	outcome  TEXT,             -- 'accepted', 'refused', 'unreachable' or 'unknown'; an early step 'accepted' is done
	said     TEXT NOT NULL,    -- what came back; '' for nothing
	PRIMARY KEY (at_ns, code, ups, host)
) WITHOUT ROWID;

CREATE VIEW actions AS
SELECT strftime('%Y-%m-%dT%H:%M:%SZ', at_ms / 1000, 'unixepoch') AS at_utc, outage, code, ups, host,
	round((ended_ns - at_ns) / 1e9, 1) AS seconds, outcome, said, text
FROM agent_action ORDER BY at_ns, code, ups, host;
