function code = log_session(where, log, kind)
%LOG_SESSION  The session of test_client_logs.py with the client for MATLAB and Octave.
code = 0;
try
    box = tallymark.Box(where, 'log', log, 'events', {17, 'ferry "left"'; 96, [char([102, 195, 164]), 'hrt ab']});
catch problem
    fprintf(stderr, '%s\n', problem.message);
    code = 4;
    return
end
printf('open\n');
fflush(stdout);
if strcmp(kind, 'endless')
    k = 0;
    while true
        box.pulse(1 + mod(k, 255), 500);
        k = k + 1;
        pause(0.002);
    end
end
if strcmp(kind, 'ahead')
    % a marker that comes after its time, a sequence that starts at one, and a marker
    box.pulse(5, [], 'at_us', double(box.clock().box_time_us), 'late_us', 60e6);
    box.wait(); pause(0.03);
    box.sequence([1 2000; 2 2000], 3, 'after_s', 0.1);
    box.sequence_wait(5);
    box.pulse(9);
    box.wait();
    box.close();
    return
end
if strcmp(kind, 'bytes')
    while isempty(strfind(fileread(log), '"byte"'))
        box.collect();
        pause(0.005);
    end
    box.wait(box.pulse(2));
    box.close();
    return
end
box.pulse(17);
box.wait(); pause(0.03);
box.pulse(96, 12000);
box.wait(); pause(0.03);
box.set(3);
box.wait(); pause(0.03);
box.set(3);
box.wait(); pause(0.03);
box.set(0);
box.wait(); pause(0.03);
box.pulse(9, [], 'after_s', 0.2);
box.pulse(5, [], 1);
box.wait();
pause(0.03);
for k = 1:40
    box.pulse(k, 2000);
    box.wait();
    pause((10 + mod(k * 7, 13)) / 1000);
end
try
    box.close();
catch problem
    fprintf(stderr, '%s\n', problem.message);
    code = 5;
end
end
