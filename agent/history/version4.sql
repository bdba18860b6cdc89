-- Version 4: hosts that were only watched. Their asked_ns and asked_ms are when each
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
