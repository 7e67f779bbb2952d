-- A row is how far one setting's traced departures from its visit's mean are believed in the fit of a response: 1 is wholly. Key: response, setting.
-- Written by the model.
create table if not exists setting_reliability (
    response varchar not null,
    setting varchar not null,
    reliability double not null,
    n bigint not null
);
