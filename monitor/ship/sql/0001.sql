-- The shipped copy of logs, on plain PostgreSQL 15 or newer. Every table is the log's table of that
-- name with the log's number before its columns. Readings, minutes and leaves are cut by month of
-- their own time; their unique keys hold that time, as PostgreSQL wants it, and no row has another
-- identity than its time. What has a number of its own (calls, events, ...) is not cut, so that one
-- number with two times cannot stand twice.

CREATE TABLE filmcall.logs(
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    uuid uuid NOT NULL UNIQUE,
    station text NOT NULL DEFAULT session_user,
    schema integer NOT NULL,
    number bigint NOT NULL DEFAULT 0,
    whole_from bigint NOT NULL DEFAULT 1,
    seq bigint NOT NULL DEFAULT 0,
    hash text NOT NULL DEFAULT '',
    conflicts bigint NOT NULL DEFAULT 0,
    first_at timestamptz NOT NULL DEFAULT now(),
    last_at timestamptz NOT NULL DEFAULT now(),
    readings_from_us bigint
);
COMMENT ON COLUMN filmcall.logs.number IS 'the newest change of the log''s outbox that is here';
COMMENT ON COLUMN filmcall.logs.whole_from IS 'from this change on none was passed over';
COMMENT ON COLUMN filmcall.logs.hash IS 'the seal: hash of place seq of the log''s chain';
COMMENT ON COLUMN filmcall.logs.readings_from_us IS 'older readings were given up by retention';

CREATE TABLE filmcall.conflicts(
    log integer NOT NULL,
    found_at timestamptz NOT NULL DEFAULT now(),
    name text NOT NULL,
    held jsonb NOT NULL,
    came jsonb NOT NULL
);
COMMENT ON TABLE filmcall.conflicts IS 'rows that came again with other values; what stood, stands';

CREATE TABLE filmcall.sources(
    log integer, id bigint, kind text NOT NULL, digest text NOT NULL, title text NOT NULL,
    started_us bigint NOT NULL, complete smallint NOT NULL,
    PRIMARY KEY (log, id)
);
CREATE TABLE filmcall.channels(
    log integer, id bigint, source bigint NOT NULL, enclosure text NOT NULL, point text NOT NULL,
    quantity text NOT NULL,
    PRIMARY KEY (log, id)
);
CREATE TABLE filmcall.calls(
    log integer, id bigint, source bigint NOT NULL, enclosure text NOT NULL, section text NOT NULL,
    time_us bigint NOT NULL, call text NOT NULL, stage text NOT NULL, question text NOT NULL,
    body text NOT NULL, logged_us bigint NOT NULL,
    PRIMARY KEY (log, id)
);
CREATE INDEX calls_by_time ON filmcall.calls(time_us);
CREATE INDEX calls_by_section ON filmcall.calls(log, enclosure, section, time_us DESC, id DESC);
CREATE TABLE filmcall.events(
    log integer, id bigint, source bigint NOT NULL, kind text NOT NULL, time_us bigint NOT NULL,
    enclosure text NOT NULL, section text, note text NOT NULL, spec text, coat bigint, batch text,
    amount_ml float8, thinner_pct float8, method text, what text, value float8, unit text,
    recorded_us bigint NOT NULL, corrects bigint, withdrawn smallint NOT NULL,
    station text NOT NULL,
    PRIMARY KEY (log, id)
);
CREATE TABLE filmcall.specs(
    log integer, sha256 text, text text NOT NULL, first_seen_us bigint NOT NULL,
    PRIMARY KEY (log, sha256)
);
CREATE TABLE filmcall.spec_numbers(
    log integer, id bigint, sha256 text NOT NULL,
    PRIMARY KEY (log, id)
);
CREATE TABLE filmcall.event_specs(
    log integer, id bigint, sha256 text NOT NULL,
    PRIMARY KEY (log, id)
);
CREATE TABLE filmcall.event_ids(
    log integer, id bigint, enclosure text NOT NULL, name text NOT NULL, told_by text NOT NULL,
    warnings text NOT NULL,
    PRIMARY KEY (log, id)
);
CREATE TABLE filmcall.photos(
    log integer, id bigint, name text NOT NULL, bytes bigint NOT NULL,
    PRIMARY KEY (log, id)
);
CREATE TABLE filmcall.calibrations(
    log integer, id bigint, enclosure text NOT NULL, point text NOT NULL, quantity text NOT NULL,
    made_us bigint NOT NULL, body text NOT NULL, logged_us bigint NOT NULL,
    PRIMARY KEY (log, id)
);
CREATE TABLE filmcall.outages(
    log integer, id bigint, source bigint NOT NULL, what text NOT NULL, enclosure text, point text,
    from_us bigint NOT NULL, to_us bigint, text text NOT NULL, logged_us bigint NOT NULL,
    PRIMARY KEY (log, id)
);
CREATE TABLE filmcall.alarms(
    log integer, id bigint, enclosure text NOT NULL, section text NOT NULL, fact text NOT NULL,
    cause text NOT NULL, step text NOT NULL, time_us bigint NOT NULL, since_us bigint NOT NULL,
    count bigint NOT NULL, event bigint, text text NOT NULL, logged_us bigint NOT NULL,
    PRIMARY KEY (log, id)
);
CREATE TABLE filmcall.thinnings(
    log integer, id bigint, channel bigint NOT NULL, from_us bigint NOT NULL, to_us bigint NOT NULL,
    readings bigint NOT NULL, minutes bigint NOT NULL, keep_days bigint NOT NULL,
    thinned_us bigint NOT NULL,
    PRIMARY KEY (log, id)
);
CREATE TABLE filmcall.roots(
    log integer, id bigint, leaves bigint NOT NULL, window_us bigint, made_us bigint NOT NULL,
    PRIMARY KEY (log, id)
);
CREATE TABLE filmcall.outside(
    log integer, id bigint, channel bigint NOT NULL, until_us bigint NOT NULL,
    upgraded_us bigint NOT NULL,
    PRIMARY KEY (log, id)
);
CREATE TABLE filmcall.chain(
    log integer, seq bigint, kind text NOT NULL, row bigint NOT NULL, hash text NOT NULL,
    PRIMARY KEY (log, seq)
);
CREATE TABLE filmcall.reading_notes(
    log integer, channel bigint, time_us bigint, noted_us bigint, quality smallint,
    PRIMARY KEY (log, channel, time_us, noted_us, quality)
);
CREATE TABLE filmcall.readings(
    time_us bigint, log integer, channel integer, received_us bigint, raw float8, calibrated float8,
    quality smallint NOT NULL,
    PRIMARY KEY (log, channel, time_us)
) PARTITION BY RANGE (time_us);
CREATE TABLE filmcall.readings_rest PARTITION OF filmcall.readings DEFAULT;
CREATE TABLE filmcall.minutes(
    log integer, channel bigint, time_us bigint, quality smallint, count bigint NOT NULL,
    mean float8, low float8, high float8, raw_mean float8, known_us bigint NOT NULL,
    PRIMARY KEY (log, channel, time_us, quality)
) PARTITION BY RANGE (time_us);
CREATE TABLE filmcall.minutes_rest PARTITION OF filmcall.minutes DEFAULT;
-- A leaf's id is its minute since 1970 times 2^20, and a number in it.
CREATE TABLE filmcall.leaves(
    id bigint, log integer, channel integer NOT NULL, root bigint NOT NULL, kind smallint NOT NULL,
    sha256 bytea NOT NULL, members bytea,
    PRIMARY KEY (log, id)
) PARTITION BY RANGE (id);
CREATE TABLE filmcall.leaves_rest PARTITION OF filmcall.leaves DEFAULT;

-- Makes the partitions of the month that holds a time, and moves there what the default partition
-- had of it. A time that no clock shows makes none: its rows stay in the default partition.
CREATE FUNCTION filmcall.make_month(at_us bigint) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    month timestamp;
    from_us bigint;
    to_us bigint;
    each record;
    part text;
BEGIN
    IF at_us < extract(epoch FROM timestamp '2000-01-01') * 1000000
        OR at_us > extract(epoch FROM now() + interval '62 days') * 1000000 THEN
        RETURN;
    END IF;
    month := date_trunc('month', timestamp '1970-01-01' + at_us / 1000000 * interval '1 s');
    from_us := extract(epoch FROM month)::bigint * 1000000;
    to_us := extract(epoch FROM month + interval '1 month')::bigint * 1000000;
    PERFORM pg_advisory_xact_lock(hashtext('filmcall.make_month'));
    FOR each IN SELECT * FROM (VALUES
        ('readings', 'time_us', from_us, to_us),
        ('minutes', 'time_us', from_us, to_us),
        ('leaves', 'id', from_us / 60000000 * 1048576, to_us / 60000000 * 1048576)
    ) AS t(name, key, low, high) LOOP
        part := format('%s_%s', each.name, to_char(month, 'YYYY_MM'));
        CONTINUE WHEN to_regclass('filmcall.' || part) IS NOT NULL;
        EXECUTE format('CREATE TABLE filmcall.%I (LIKE filmcall.%I INCLUDING ALL)', part, each.name);
        EXECUTE format('WITH moved AS (DELETE FROM filmcall.%I WHERE %I >= %s AND %I < %s RETURNING *) '
            'INSERT INTO filmcall.%I SELECT * FROM moved',
            each.name || '_rest', each.key, each.low, each.key, each.high, part);
        EXECUTE format('ALTER TABLE filmcall.%I ATTACH PARTITION filmcall.%I FOR VALUES FROM (%s) TO (%s)',
            each.name, part, each.low, each.high);
    END LOOP;
END $$;

-- Whether a log is the caller's: a station's own, or any for the owner of the schema.
CREATE FUNCTION filmcall.is_mine(station text) RETURNS boolean
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
    SELECT station = session_user OR pg_has_role(session_user, nspowner, 'USAGE')
    FROM pg_namespace WHERE nspname = 'filmcall'
$$;

-- Finds a log, or takes in a new one as the caller's, and holds it until the transaction's end.
CREATE FUNCTION filmcall.open_log(log_uuid uuid, log_schema integer) RETURNS filmcall.logs
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    found_log filmcall.logs;
BEGIN
    INSERT INTO filmcall.logs(uuid, schema) VALUES (log_uuid, log_schema) ON CONFLICT (uuid) DO NOTHING;
    SELECT * INTO found_log FROM filmcall.logs WHERE uuid = log_uuid FOR UPDATE;
    IF NOT filmcall.is_mine(found_log.station) THEN
        RAISE EXCEPTION USING ERRCODE = 'FC001', MESSAGE = found_log.station;
    END IF;
    RETURN found_log;
END $$;

-- Says how far a log is here now; the same transaction brought the rows.
CREATE FUNCTION filmcall.advance(
    log_id integer, from_number bigint, to_number bigint, whole bigint, to_seq bigint, to_hash text,
    more_conflicts bigint, log_schema integer
) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
BEGIN
    UPDATE filmcall.logs SET number = to_number, whole_from = whole, seq = to_seq, hash = to_hash,
        conflicts = conflicts + more_conflicts, schema = log_schema, last_at = now()
    WHERE id = log_id AND number = from_number AND to_number >= from_number
        AND filmcall.is_mine(station);
    IF NOT FOUND THEN
        RAISE EXCEPTION USING ERRCODE = 'FC002', MESSAGE = 'the log stands elsewhere';
    END IF;
END $$;

-- Takes away what the log itself has thinned: readings inside one of its thinnings, of a minute whose
-- mean is here, but for those that the log still has. Nothing else ever takes a reading away.
CREATE FUNCTION filmcall.thin(log_id integer, thinning bigint, kept bigint[]) RETURNS bigint
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    span filmcall.thinnings;
    gone bigint;
BEGIN
    IF NOT EXISTS (SELECT 1 FROM filmcall.logs WHERE id = log_id AND filmcall.is_mine(station)) THEN
        RAISE EXCEPTION USING ERRCODE = '42501', MESSAGE = 'the log belongs to another station';
    END IF;
    SELECT * INTO STRICT span FROM filmcall.thinnings WHERE log = log_id AND id = thinning;
    DELETE FROM filmcall.readings r
    WHERE log = log_id AND channel = span.channel AND time_us >= span.from_us AND time_us < span.to_us
        AND NOT time_us = ANY(kept)
        AND EXISTS (
            SELECT 1 FROM filmcall.minutes m WHERE m.log = log_id AND m.channel = span.channel
            AND m.time_us >= r.time_us - ((r.time_us % 60000000) + 60000000) % 60000000
            AND m.time_us < r.time_us - ((r.time_us % 60000000) + 60000000) % 60000000 + 60000000
            AND m.time_us >= span.from_us AND m.time_us < span.to_us);
    GET DIAGNOSTICS gone = ROW_COUNT;
    DELETE FROM filmcall.reading_notes n
    WHERE log = log_id AND channel = span.channel AND time_us >= span.from_us AND time_us < span.to_us
        AND NOT EXISTS (SELECT 1 FROM filmcall.readings r WHERE r.log = log_id
            AND r.channel = n.channel AND r.time_us = n.time_us);
    RETURN gone;
END $$;

-- Retention, for the owner to call: gives up readings, minutes and leaves of whole months before a
-- day, by dropping their partitions. Calls, events and the chain stay. A copy laid out again as a
-- log then lacks those months, and says so.
CREATE FUNCTION filmcall.give_up_before(day date) RETURNS SETOF text
LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    month date := date_trunc('month', day)::date;
    month_us bigint := extract(epoch FROM month::timestamp)::bigint * 1000000;
    part record;
BEGIN
    FOR part IN
        SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid
        JOIN pg_class p ON p.oid = i.inhparent JOIN pg_namespace n ON n.oid = p.relnamespace
        WHERE n.nspname = 'filmcall' AND p.relname IN ('readings', 'minutes', 'leaves')
        AND c.relname ~ '_\d{4}_\d{2}$' AND to_date(right(c.relname, 7), 'YYYY_MM') < month
        ORDER BY 1
    LOOP
        EXECUTE format('DROP TABLE filmcall.%I', part.relname);
        RETURN NEXT part.relname;
    END LOOP;
    DELETE FROM filmcall.readings_rest WHERE time_us < month_us;
    DELETE FROM filmcall.minutes_rest WHERE time_us < month_us;
    DELETE FROM filmcall.leaves_rest WHERE id < month_us / 60000000 * 1048576;
    DELETE FROM filmcall.reading_notes WHERE time_us < month_us;
    UPDATE filmcall.logs SET readings_from_us = greatest(readings_from_us, month_us);
END $$;

-- Roles. A station reads and appends its own logs; a reader reads all. Partitions have no rights of
-- their own, so that nobody goes round the rules of their table.
DO $$
DECLARE
    role text;
    name text;
BEGIN
    FOREACH role IN ARRAY ARRAY['filmcall_station', 'filmcall_reader'] LOOP
        IF NOT EXISTS (SELECT 1 FROM pg_roles WHERE rolname = role) THEN
            EXECUTE format('CREATE ROLE %I NOLOGIN', role);
        END IF;
        EXECUTE format('GRANT CONNECT ON DATABASE %I TO %I', current_database(), role);
        EXECUTE format('GRANT USAGE ON SCHEMA filmcall TO %I', role);
        EXECUTE format('GRANT SELECT ON filmcall.version TO %I', role);
    END LOOP;
    EXECUTE format('GRANT TEMPORARY ON DATABASE %I TO filmcall_station', current_database());
    REVOKE ALL ON ALL FUNCTIONS IN SCHEMA filmcall FROM PUBLIC;
    GRANT EXECUTE ON FUNCTION filmcall.make_month, filmcall.open_log, filmcall.advance,
        filmcall.thin, filmcall.is_mine TO filmcall_station;
    ALTER TABLE filmcall.logs ENABLE ROW LEVEL SECURITY;
    CREATE POLICY own ON filmcall.logs FOR SELECT TO filmcall_station USING (station = session_user);
    CREATE POLICY reader ON filmcall.logs FOR SELECT TO filmcall_reader USING (true);
    GRANT SELECT ON filmcall.logs TO filmcall_station, filmcall_reader;
    FOREACH name IN ARRAY ARRAY['conflicts', 'sources', 'channels', 'calls', 'events', 'specs',
        'spec_numbers', 'event_specs', 'event_ids', 'photos', 'calibrations', 'outages', 'alarms', 'thinnings',
        'roots', 'outside', 'chain', 'reading_notes', 'readings', 'minutes', 'leaves'] LOOP
        EXECUTE format('ALTER TABLE filmcall.%I ENABLE ROW LEVEL SECURITY', name);
        EXECUTE format('CREATE POLICY own ON filmcall.%I TO filmcall_station USING (log IN '
            '(SELECT id FROM filmcall.logs WHERE station = session_user))', name);
        EXECUTE format('CREATE POLICY reader ON filmcall.%I FOR SELECT TO filmcall_reader '
            'USING (true)', name);
        EXECUTE format('GRANT SELECT, INSERT ON filmcall.%I TO filmcall_station', name);
        EXECUTE format('GRANT SELECT ON filmcall.%I TO filmcall_reader', name);
    END LOOP;
    GRANT UPDATE (complete) ON filmcall.sources TO filmcall_station;
END $$;
