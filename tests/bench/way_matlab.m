% Pulses at a steady pace, with the clock of the computer just before each:
%
%     octave-cli -q way_matlab.m WHERE COUNT SPACING_US
%
% Prints a line of nanoseconds for each pulse. Octave has no monotonic clock: what is printed is
% the time of day (CLOCK_REALTIME), to the microsecond.
addpath(fullfile(fileparts(mfilename('fullpath')), '..', '..', 'host', 'matlab'));
arguments = argv();
count = str2double(arguments{2});
spacing_us = uint64(str2double(arguments{3}));
box = tallymark.Box(arguments{1});
times = zeros(1, count, 'uint64');
next = tic + spacing_us;
for k = 1:count
    while true
        now_us = tic;  % microseconds since 1970 in Octave
        if now_us >= next
            break
        elseif next - now_us > 2000
            pause(double(next - now_us - 1000) * 1e-6);
        end
    end
    times(k) = tic;
    box.pulse(1 + mod(k, 2));
    next = times(k) + spacing_us;
    if next > tic + 2000
        box.collect();
    end
end
failed = box.wait();
fprintf('%d000\n', times);
box.close();
exit(double(~isempty(failed)));
