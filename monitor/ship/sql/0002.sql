-- What was given up is remembered, so that the rest can be judged without it: before which day, when
-- and by whom; and of each root of the chain the hashes of its leaves that went, in the leaves' order,
-- 32 bytes each. A root is joined by these and by the leaves that are still here.

CREATE TABLE filmcall.given_up(
    before_us bigint NOT NULL,
    at timestamptz NOT NULL DEFAULT now(),
    by_whom text NOT NULL DEFAULT session_user
);
CREATE TABLE filmcall.given_leaves(
    log integer, root bigint, hashes bytea NOT NULL,
    PRIMARY KEY (log, root)
);

CREATE OR REPLACE FUNCTION filmcall.give_up_before(day date) RETURNS SETOF text
LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    month date := date_trunc('month', day)::date;
    month_us bigint := extract(epoch FROM month::timestamp)::bigint * 1000000;
    part record;
BEGIN
    INSERT INTO filmcall.given_up(before_us) VALUES (month_us);
    INSERT INTO filmcall.given_leaves AS g
        SELECT log, root, string_agg(sha256, ''::bytea ORDER BY id) FROM filmcall.leaves
        WHERE id < month_us / 60000000 * 1048576 GROUP BY log, root
        ON CONFLICT (log, root) DO UPDATE SET hashes = g.hashes || excluded.hashes;
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

-- Only the owner writes here.
GRANT SELECT ON filmcall.given_up, filmcall.given_leaves TO filmcall_station, filmcall_reader;
ALTER TABLE filmcall.given_leaves ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON filmcall.given_leaves FOR SELECT TO filmcall_station USING (log IN
    (SELECT id FROM filmcall.logs WHERE station = session_user));
CREATE POLICY reader ON filmcall.given_leaves FOR SELECT TO filmcall_reader USING (true);
