-- Which authentic records came by hand, so that reports find them without reading the years.
CREATE INDEX settled_by_hand ON settled (logger, epoch, sequence) WHERE rank = 0 AND lag IS NULL;
CREATE INDEX profile_by_hand ON profile_row (logger, epoch, sequence) WHERE rank = 0 AND received_at IS NULL;
CREATE INDEX event_by_hand ON event_row (logger, epoch, sequence) WHERE rank = 0 AND received_at IS NULL;
CREATE INDEX opaque_by_hand ON opaque_row (logger, epoch, sequence) WHERE rank = 0 AND received_at IS NULL;
