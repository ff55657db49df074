-- Raising and clearing a notice look for its subject: twice a change, on a radio that comes and goes.
CREATE INDEX notice_by_subject ON notice (kind, subject);
