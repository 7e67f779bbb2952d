-- A sort key of an id that orders its numbers by value: S9 before S10. Made for every connection; views cannot use it.
create or replace temp macro natural_order(id) as
regexp_replace(regexp_replace(id, '(\d+)', '00000000000000000000\1', 'g'), '\d*(\d{20})', '\1', 'g')
