-- What each seal's digest is over, in words that can be read and hashed again, and the household's signature.
ALTER TABLE seals ADD COLUMN statement TEXT NOT NULL DEFAULT '';
ALTER TABLE seals ADD COLUMN signature TEXT;
ALTER TABLE seals ADD COLUMN signed_by TEXT;
