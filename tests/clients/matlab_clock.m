function matlab_clock(file)
%MATLAB_CLOCK  The client's estimate of the clocks, fed with round trips from a file: see
%   clock_scenarios.py. Prints host time and bound in ns after the first trip, box time and bound in
%   us, of each instant that is asked for.
lines = strsplit(strtrim(fileread(file)), "\n");
origin = NaN;
for k = 1:numel(lines)
    words = strsplit(lines{k}, ' ');
    values = cellfun(@str2double, words(2:end));
    switch words{1}
        case 'board'
            clock = tallymark.ClockEstimate(values, false);
            assert(isnan(clock.to_host(1)) && isnan(clock.to_box(1)));
        case 'trip'
            if isnan(origin)
                origin = values(1);
            end
            clock.add((values(1) - origin) * 1e-9, values(2), (values(3) - origin) * 1e-9);
        case 'ask'
            [host_s, host_bound_s] = clock.to_host(values(1));
            [box_us, box_bound_us] = clock.to_box((values(2) - origin) * 1e-9);
            printf('%.3f %.3f %.6f %.6f\n', [host_s, host_bound_s] * 1e9, box_us, box_bound_us);
    end
end
end
