function at_us = time_ahead(link, options)
%TIME_AHEAD  The box time of a marker ahead of its time, whole microseconds as a double.
%   options: a struct with one of at_s (seconds since the box was opened), after_s (seconds from
%   now) and at_us (box time), and perhaps late_us and bound_us. Errors: tallymark:value.
LONGEST_S = 30 * 60;  % box times on the wire have 32 bits
COMPARE_S = 1;        % a narrow bound is worth a round trip
times = isfield(options, {'at_s', 'after_s', 'at_us'});
known = {'at_s', 'after_s', 'at_us', 'late_us', 'bound_us'};
if sum(times) ~= 1 || ~all(ismember(fieldnames(options), known)) ...
        || ~all(structfun(@(value) isscalar(value) && isnumeric(value) && isreal(value), options))
    error('tallymark:value', ['Give one time of a marker ahead: ''at_s'', ''after_s'' or ' ...
        '''at_us'', and besides it only ''late_us'' and ''bound_us'', all of them numbers. ' ...
        'Nothing was sent.']);
end
now_s = link.now_s();
if ~bitand(link.identity.capabilities, 16)
    error('tallymark:value', ['The firmware of this box can''t put out markers ahead of their ' ...
        'time. Nothing was sent. Send the marker at its time, or load newer firmware.']);
end
if now_s - link.clock.compared_s() > COMPARE_S
    link.ask('clock', struct());
end
if times(2)
    at_s = now_s + double(options.after_s);
elseif times(1)
    at_s = double(options.at_s);
end
bound_us = 0;
if times(3)
    at_us = double(options.at_us);
else
    [at_us, bound_us] = link.clock.to_box(at_s);
end
away_s = (at_us - link.clock.to_box(link.now_s())) / 1e6;
late_us = 0;
if isfield(options, 'late_us')
    late_us = double(options.late_us);
end
if ~(abs(away_s) < LONGEST_S) || ~(late_us >= 0 && late_us < LONGEST_S * 1e6)
    error('tallymark:value', ['A marker can be given 30 minutes ahead at most, not %.3f s, and ' ...
        'come so much later at most. Host times are those of toc(box.opened). Nothing was ' ...
        'sent.'], away_s);
elseif isfield(options, 'bound_us') && ~(bound_us <= options.bound_us)
    error('tallymark:value', ['The clocks are known to agree within %.0f us at that time, not ' ...
        'within %g us as asked. Nothing was sent. Call box.sync_clock() shortly before, give the ' ...
        'marker less far ahead, or accept a wider bound.'], ceil(bound_us), options.bound_us);
end
link.check_places();
at_us = max(1, round(at_us));
end
