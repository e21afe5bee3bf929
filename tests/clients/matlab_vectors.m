function counts = matlab_vectors(folder)
% Puts the client's codec through protocol/vectors; raises an error at the first row that is not
% as it says. counts: rows of each file, and messages of the dialogues.
rows = rows_of(fullfile(folder, 'frames.json'));
for k = 1:numel(rows)
    both_ways(rows{k});
end
counts.frames = numel(rows);

rows = rows_of(fullfile(folder, 'broken.json'));
for k = 1:numel(rows)
    broken(rows{k});
end
counts.broken = numel(rows);

rows = rows_of(fullfile(folder, 'dialogues.json'));
counts.dialogues = numel(rows);
counts.built = 0;
counts.read = 0;
counts.strange = 0;
for k = 1:numel(rows)
    steps = cells_of(rows{k}.steps);
    decoder = tallymark.Decoder();
    for n = 1:numel(steps)
        step = steps{n};
        if isfield(step, 'request') && isempty(tallymark.layouts('request', step.request))
            message = only(decoder.feed(bytes_of(step.wire)), step);  % one that no box knows
            check(isequal(tallymark.frame(message(1), step.tag, message(3:end)), ...
                bytes_of(step.wire)), step);
            counts.strange = counts.strange + 1;
        elseif isfield(step, 'request')
            build(step, 'request');
            counts.built = counts.built + 1;
        elseif isfield(step, 'wire')
            read(step, kind_of(step), decoder);
            counts.read = counts.read + 1;
        end
    end
    check(decoder.frames_broken == 0, rows{k});
end
end

function both_ways(row)
kind = kind_of(row);
build(row, kind);
read(row, kind, tallymark.Decoder());
message = tallymark.unframe(drop_zero(bytes_of(row.wire)));
crc = tallymark.crc16(message);
check(isequal([message, floor(crc / 256), mod(crc, 256)], bytes_of(row.unstuffed)), row);
end

function build(row, kind)
layout = tallymark.layouts(kind, row.(kind));
body = tallymark.put_fields(layout.fields, row.fields);
marked = 32 * isfield(row, 'in_session');
check(isequal(tallymark.frame(layout.type + marked, row.tag, body), bytes_of(row.wire)), row);
end

function read(row, kind, decoder)
message = only(decoder.feed(bytes_of(row.wire)), row);
layout = tallymark.layouts(message(1) - 32 * isfield(row, 'in_session'));
check(strcmp(layout.kind, kind) && strcmp(layout.name, row.(kind)), row);
check(message(2) == row.tag, row);
check(same(tallymark.get_fields(layout.fields, message(3:end)), row.fields), row);
end

function broken(row)
% At once, and byte by byte; then the next good frame.
wire = bytes_of(row.wire);
for size = [numel(wire), 1]
    decoder = tallymark.Decoder();
    for at = 1:size:numel(wire)
        decoder.feed(wire(at:min(end, at + size - 1)));
    end
    check(decoder.frames == row.frames && decoder.frames_broken == row.frames_broken, row);
    check(numel(decoder.feed([6, 16, 7, 42, 28, 188, 0])) == 1, row);
    check(decoder.frames == row.frames + 1, row);
end
end

function message = only(messages, row)
check(numel(messages) == 1, row);
message = messages{1};
end

function kind = kind_of(row)
kinds = {'request', 'answer', 'notice'};
kind = kinds{isfield(row, kinds)};
end

function equal = same(one, other)
if isempty(one) || isempty(other)
    equal = isempty(one) && isempty(other);
elseif isstruct(one) && numel(one) == 1
    names = fieldnames(one);
    equal = isequal(sort(names), sort(fieldnames(other)));
    for k = 1:numel(names)
        equal = equal && same(one.(names{k}), other.(names{k}));
    end
elseif isstruct(one)
    equal = numel(one) == numel(other);
    for k = 1:numel(one)
        equal = equal && same(one(k), other(k));
    end
else
    equal = isequal(one(:), other(:)) && (isa(one, 'uint64') == isa(other, 'uint64'));
end
end

function check(fine, row)
if ~fine
    error('vectors:differ', 'Not as in the vectors: %s', jsonencode(row));
end
end

function rows = rows_of(path)
% Times are 64 bits wide: they are read as texts, so that no double rounds them.
text = regexprep(fileread(path), '"(time|started|ended)": (\d+)', '"$1": "u64 $2"');
rows = cells_of(with_u64(jsondecode(text)));
end

function value = with_u64(value)
if iscell(value)
    value = cellfun(@with_u64, value, 'UniformOutput', false);
elseif isstruct(value)
    names = fieldnames(value);
    for n = 1:numel(value)
        for k = 1:numel(names)
            value(n).(names{k}) = with_u64(value(n).(names{k}));
        end
    end
elseif ischar(value) && strncmp(value, 'u64 ', 4)
    digits = value(5:end) - '0';
    value = uint64(0);
    for digit = digits
        value = value * 10 + uint64(digit);
    end
end
end

function rows = cells_of(rows)
if isstruct(rows)
    rows = num2cell(rows);
end
end

function bytes = bytes_of(text)
bytes = sscanf(text, '%x').';
end

function bytes = drop_zero(bytes)
bytes = bytes(1:end-1);
end
