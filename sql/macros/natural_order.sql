-- A macro: a sort key that orders the numbers in an id by value: S9 before S10. Every connection creates it, so views
-- cannot use it.
create or replace temp macro natural_order(id) as
regexp_replace(regexp_replace(id, '(\d+)', '00000000000000000000\1', 'g'), '\d*(\d{20})', '\1', 'g')
