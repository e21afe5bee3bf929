classdef Transport < handle
%TRANSPORT  The bytes to and from a box, with all that differs between MATLAB and Octave.
%   Transport(WHERE) opens a serial port ('/dev/ttyACM0', 'COM3') or 'socket://HOST:PORT'.
    properties (SetAccess = private)
        where
    end
    properties (Access = private)
        device = []
        octave
    end
    methods
        function port = Transport(where)
            port.where = where;
            port.octave = exist('OCTAVE_VERSION', 'builtin') ~= 0;
            if port.octave
                pkg('load', 'instrument-control');
            end
            try
                port.device = open_device(where, port.octave);
                flush(port.device);
            catch problem
                error('tallymark:open', ['%s can''t be opened: %s\nNo marker was sent. ' ...
                    'Is the box plugged in, is the name right, does another program have the ' ...
                    'port open, and may you use it (on Linux: group dialout)?'], ...
                    where, problem.message);
            end
            try
                setDTR(port.device, true);  % a USB box talks only to a port that is in use
            catch
                % Pseudo-terminals and sockets have no such line.
            end
        end

        function bytes = read(port)
            %READ  What has come in, as a row of doubles; empty if nothing has. Never waits.
            count = port.device.NumBytesAvailable;
            if count == 0
                bytes = [];
            else
                bytes = double(read(port.device, count, 'uint8'));
                bytes = bytes(:).';
            end
        end

        function write(port, bytes)
            %WRITE  Hands bytes to the system, all of them, or raises an error.
            if port.octave
                if write(port.device, uint8(bytes), 'uint8') ~= numel(bytes)
                    error('tallymark:write', 'The system did not take all bytes.');
                end
            else
                write(port.device, uint8(bytes), 'uint8');
            end
        end

        function close(port)
            %CLOSE  Gives the port back. May be called twice.
            port.device = [];  % both close a device with the last reference to it
        end
    end
end

function device = open_device(where, octave)
address = regexp(where, '^socket://(.+):(\d+)$', 'tokens', 'once');
if isempty(address)
    device = serialport(where, 500000);  % 8N1 without flow control is what both begin with
elseif octave
    device = tcpclient(address{1}, str2double(address{2}));
else
    device = tcpclient(address{1}, str2double(address{2}), 'EnableTransferDelay', false);
end
end
