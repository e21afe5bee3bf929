% How long box.pulse keeps its caller in Octave, beside a bare write of one byte to the same port:
%
%     octave-cli -q caller_matlab.m WHERE
%
% WHERE is a serial port or a pseudo-terminal (tallymark serve). They take turns, five times 200
% calls a millisecond apart; the figures are medians in microseconds.
addpath(fullfile(fileparts(mfilename('fullpath')), '..', '..', 'host', 'matlab'));
pkg('load', 'instrument-control');
arguments = argv();
where = arguments{1};
bare = [];
kept = [];
full = [];
for turn = 1:5
    port = serialport(where, 500000);
    for k = 1:200
        pause(0.001);
        from = tic;
        write(port, uint8(0), 'uint8');
        bare(end+1) = toc(from);
    end
    clear port
    box = tallymark.Box(where);
    for k = 1:200
        box.wait();
        pause(0.001);
        from = tic;
        box.pulse(5);
        kept(end+1) = toc(from);
    end
    for k = 1:200  % nobody takes answers in but pulse itself
        pause(0.001);
        from = tic;
        box.pulse(5);
        full(end+1) = toc(from);
    end
    box.close();
end
fprintf('bare write of one byte              %5.0f\n', 1e6 * median(bare));
fprintf('pulse, answers taken in elsewhere   %5.0f   %4.1f times\n', 1e6 * median(kept), ...
    median(kept) / median(bare));
fprintf('pulse that takes them in itself     %5.0f   mean %.0f, longest %.0f\n', ...
    1e6 * median(full), 1e6 * mean(full), 1e6 * max(full));
