-- Messages kept aside: when they came by the kernel's counter [ms], in which start of the machine ('':
-- not noted), and whether the time was not known since a start with a wrong clock (1) or after a jump
-- (0). ended_ms: when they were taken in or dismissed, in ms since 1970-01-01 UTC.

ALTER TABLE aside ADD COLUMN counter_ms INTEGER NOT NULL DEFAULT 0;
ALTER TABLE aside ADD COLUMN boot TEXT NOT NULL DEFAULT '';
ALTER TABLE aside ADD COLUMN at_start INTEGER NOT NULL DEFAULT 0;
ALTER TABLE aside ADD COLUMN ended_ms INTEGER;
